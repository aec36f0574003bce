"""`nearpair glasses`: the page to measure glasses on, and what a calibration file means, in words."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from nearpair.cli import say
from nearpair.cli.faults import told
from nearpair.cli.lines import Line
from nearpair.errors import NearpairError

if TYPE_CHECKING:
    from nearpair.colour.glasses import Glasses

PAGE = Path("glasses.html")
_NAMES = ("red", "green", "blue")
_VISIBLE, _STRONG = 0.05, 0.25  # 5 %: as in the proof; a quarter: our own


@told
def glasses(
    to: Annotated[Path, typer.Option("--to", metavar="FILE", help="The page to write.")] = PAGE,
    check: Annotated[
        Path | None,
        typer.Option("--check", metavar="FILE", help="Say what a calibration file means instead."),
    ] = None,
) -> None:
    """Measure your own coloured glasses on your own screen, by eye.

    Writes a page for any browser, which works without a network. On it you make patches vanish, and save a
    calibration file; give that to --glasses of make, export and proof.

    For example:

        nearpair glasses
        nearpair glasses --check my-glasses.toml
    """
    if check is None:
        _write(to)
        return
    from nearpair.shoot.glassesfile import SUFFIX, glasses_named

    if check.suffix != SUFFIX:
        raise NearpairError(
            f"{check}: the name of a calibration file ends with {SUFFIX}.", "Rename the file."
        )
    say.lines(meaning(glasses_named(str(check))))


def _write(to: Path) -> None:
    from nearpair.outputs.glasses_page import glasses_page
    from nearpair.shoot.atomic import write_whole

    page = glasses_page().encode()
    if to.exists() and (not to.is_file() or to.read_bytes() != page):
        raise NearpairError(
            f"{to}: exists already, and is never overwritten.", "Give another name with --to."
        )
    write_whole(to, page)
    say.lines(
        [
            Line("Page", str(to), whole=True),
            Line("Next", "Open it in a browser, on the screen and with the glasses that are to be used."),
        ]
    )


def meaning(measured: "Glasses") -> list[Line]:
    """What calibrated glasses do, in words."""
    from nearpair.colour.projection import leaks, white_luminance_ratio

    display = measured.display
    if display is None:
        raise NearpairError("What these glasses pass is not known.", "Give a calibration file.")
    lines = [Line("Glasses", measured.name.removesuffix("-measured"))]
    for eye, passed in (("left", display.left), ("right", display.right)):
        shares = passed[1] / display.bare[1]
        told_shares = [f"{100 * shares[channel]:.1f} % of {_NAMES[channel]}" for channel in measured.channels]
        lines.append(Line(eye.capitalize(), f"passes {', '.join(told_shares)}"))
    ratio = white_luminance_ratio(display)
    darker, times = ("left", 1 / ratio) if ratio < 1 else ("right", ratio)
    lines.append(Line("White", f"is {times:.1f} times darker for the {darker} eye; eyes adapt to that"))
    for eye, leak in zip(
        ("left", "right"), leaks(display, measured.left_channels, measured.right_channels), strict=True
    ):
        lines.append(Line("Leak", f"{eye} eye: {_leak(leak)}", "" if leak < _STRONG else "bold red"))
    return lines


def _leak(leak: float) -> str:
    share = f"{100 * leak:.1f} % of the light of white comes from the other eye's picture"
    if leak < _VISIBLE:
        return f"{share}; ghosts will hardly be seen"
    if leak < _STRONG:
        return f"{share}; ghosts beside strong contrasts, of which matched takes most back"
    return f"{share}; strong ghosts: measure again, or use other glasses"
