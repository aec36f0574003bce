"""`nearpair desk`: the mounting desk, a page on this computer."""

from pathlib import Path
from typing import Annotated

import typer

from nearpair.cli import say
from nearpair.cli.faults import told

To = Annotated[
    Path | None, typer.Option("--to", metavar="SHOOT", help="The folder to make, if frames were given.")
]
Port = Annotated[
    int, typer.Option("--port", metavar="PORT", min=0, max=65535, help="Port to listen on; 0 takes any.")
]
Browser = Annotated[bool, typer.Option("--browser/--no-browser", help="Open the page in the browser.")]


@told
def desk(
    places: Annotated[
        list[Path], typer.Argument(metavar="SHOOT|SOURCE...", help="A shoot, or the folders with its frames.")
    ],
    to: To = None,
    port: Port = 0,
    browser: Browser = True,
) -> None:
    """Open the mounting desk: a page on which the window is placed with the glasses on.

    Click a point to put it at the stereo window, move the window by a pixel or a tenth, see depth against the
    limits of comfort, export and proof. The page is served on this computer only. Ctrl-C ends it; everything
    decided is in SHOOT/shoot.toml at once.

    For example:

        nearpair desk quartz
        nearpair desk card --to quartz
        nearpair desk quartz --no-browser --port 8123
    """
    import webbrowser

    from nearpair.desk.serve import serve
    from nearpair.desk.session import Session
    from nearpair.errors import SourceError
    from nearpair.frames.listing import SHOOT_FILE
    from nearpair.shoot.folder import ShootFolder

    if to is None and len(places) > 1:
        raise SourceError("Several folders were given, but not where to make the shoot.", "Add --to SHOOT.")
    if to is None:
        if places[0].is_dir() and not (places[0] / SHOOT_FILE).exists():
            message = f"{places[0]}: there is no shoot here (no {SHOOT_FILE})."
            remedy = f"To begin one from the frames in it: nearpair desk {places[0]} --to SHOOT"
            raise SourceError(message, remedy + ", where SHOOT is a new folder.")
        session = Session(ShootFolder.open(places[0]).root)
    else:
        missing = next((place for place in places if not place.is_dir()), None)
        if missing is not None:
            raise SourceError(f"{missing}: is not a folder.", "Give the folder that holds the frames.")
        session = Session(to, places)

    def announced(address: str) -> None:
        say.plain(f"The desk is open at {address}")
        say.plain("End it with Ctrl-C. Everything that is decided there is kept at once.")

    def shown(address: str) -> None:
        if not webbrowser.open(address):
            say.plain("No browser was found to open it: open that address in one on this computer.")

    try:
        serve(session, port, announced, shown if browser else None)
    except KeyboardInterrupt:  # how a desk is closed
        say.plain("Closed.")
