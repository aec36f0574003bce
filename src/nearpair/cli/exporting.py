"""`nearpair export`: the outputs of a mounted pair, and the forms that are asked for by name."""

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from nearpair.cli import age_words, options, say, words
from nearpair.cli.faults import told
from nearpair.cli.lines import WEAK, Line
from nearpair.cli.progress import shown
from nearpair.outputs.catalogue import FORMS

if TYPE_CHECKING:
    from nearpair.shoot.deciding import Overrides
    from nearpair.shoot.publishing import Published

PAPERS = ("letter", "a4")
SCREENS = ("1080p", "4k")
PACKINGS = ("anaglyph", "side-by-side", "top-bottom", "parallel", "crossed", "flat")
LONGEST_S = 120.0
LEAST_PX, MOST_PX = 16, 30_000


def _one_of(value: str, names: tuple[str, ...]) -> str:
    if value.lower() not in names:
        raise typer.BadParameter(f"expected {options.listed(names)}, found {value!r}.")
    return value.lower()


def _paper(value: str) -> str:
    return _one_of(value, PAPERS)


def _screen(value: str) -> str:
    return _one_of(value, SCREENS)


def _packing(value: str) -> str:
    return _one_of(value, PACKINGS)


_ANY_SHOOT = Annotated[Path | None, typer.Argument(metavar="SHOOT", help="The folder of the shoot.")]
As = Annotated[
    list[str] | None,
    typer.Option("--as", metavar="NAME[,NAME...]", help="Make these forms only; --list shows all names."),
]
ListForms = Annotated[
    bool,
    typer.Option(
        "--list",
        help="Say which forms there are, and who can see each; with SHOOT, what is there, and what is older.",
    ),
]
Again = Annotated[
    bool,
    typer.Option(
        "--again", help="Make every output that is older than the picture again, as it was made before."
    ),
]
Size = Annotated[
    int | None,
    typer.Option(
        "--size", metavar="PX", min=LEAST_PX, max=MOST_PX, help="Width of one eye's picture, at most."
    ),
]
Paper = Annotated[
    str, typer.Option("--paper", metavar="NAME", callback=_paper, help="Sheet for the card: letter or a4.")
]
Caption = Annotated[str | None, typer.Option("--caption", metavar="TEXT", help="Caption of the picture.")]
Creator = Annotated[str | None, typer.Option("--creator", metavar="TEXT", help="Who made it.")]
Alt = Annotated[
    str | None, typer.Option("--alt", metavar="TEXT", help="What it shows, for those who cannot see it.")
]
KeepPrivate = Annotated[
    bool,
    typer.Option("--keep-private", help="Leave place (GPS), serial numbers and owner in published files."),
]
Pitch = Annotated[
    float, typer.Option("--pitch", metavar="LPI", min=5.0, max=300.0, help="Lenses per inch, as printed.")
]
Dots = Annotated[
    float, typer.Option("--dots", metavar="DPI", min=72.0, max=4800.0, help="Dots per inch of the printer.")
]
PrintWidth = Annotated[
    float,
    typer.Option(
        "--print-width", metavar="MM", min=10.0, max=1000.0, help="Width of the print below a lens sheet."
    ),
]
Packing = Annotated[
    str,
    typer.Option(
        "--packing", metavar="NAME", callback=_packing, help=f"Of the clip: {options.listed(PACKINGS)}."
    ),
]
Screen = Annotated[
    str, typer.Option("--screen", metavar="NAME", callback=_screen, help="Of the clip: 1080p or 4k.")
]
Seconds = Annotated[
    float, typer.Option("--seconds", metavar="S", min=1.0, max=LONGEST_S, help="Of the clip, without cards.")
]
Rocking = Annotated[bool, typer.Option("--rocking", help="The clip slowly rocks instead of standing still.")]
Countdown = Annotated[bool, typer.Option("--countdown", help="The clip begins with 3, 2, 1.")]
Cues = Annotated[bool, typer.Option("--cues", help="The clip says when to put glasses on and off.")]


@told
def export(
    shoot: _ANY_SHOOT = None,
    as_forms: As = None,
    list_forms: ListForms = False,
    again: Again = False,
    size: Size = None,
    paper: Paper = "a4",
    caption: Caption = None,
    creator: Creator = None,
    alt: Alt = None,
    keep_private: KeepPrivate = False,
    pitch: Pitch = 60.0,
    dots: Dots = 600.0,
    print_width: PrintWidth = 150.0,
    packing: Packing = "anaglyph",
    screen: Screen = "1080p",
    seconds: Seconds = 8.0,
    rocking: Rocking = False,
    countdown: Countdown = False,
    cues: Cues = False,
    glasses: options.GlassesName = None,
    method: options.Method = None,
    as_json: options.Json = False,
) -> None:
    """Write the outputs of the mounted pair: anaglyphs, pairs without glasses, or other forms by name.

    The method decides which of the anaglyphs is the one that the summary names and the proof looks at. With
    --as, the forms named are made instead, in SHOOT/out/forms; what is up to date is not made again. Files
    that show the picture as it was before you changed something stay until --again makes them anew.

    For example:

        nearpair export quartz --glasses amber-blue --method half-colour
        nearpair export --list
        nearpair export quartz --list
        nearpair export quartz --again
        nearpair export quartz --as card,rocking-gif --paper letter --caption "Smoky quartz, 31 mm"
        nearpair export quartz --as row-interleaved --size 3840
        nearpair export quartz --as clip --packing side-by-side --screen 4k --rocking --cues
    """
    if list_forms and shoot is None:
        _list(as_json)
        return
    if shoot is None:
        raise typer.BadParameter("name the folder of the shoot, or ask for --list.", param_hint="SHOOT")
    if list_forms:
        _list_made(shoot, as_json)
        return
    if again:
        if as_forms is not None or size is not None or glasses or method:
            raise typer.BadParameter("give it alone: outputs are made as before.", param_hint="--again")
        _again(shoot, as_json)
        return
    from nearpair.shoot.deciding import Overrides

    overrides = Overrides(glasses=glasses, method=method)
    said = {"caption": caption, "creator": creator, "alt": alt}
    about = {key: text for key, text in said.items() if text is not None}
    if as_forms is None:
        if size is not None or about or keep_private:
            raise typer.BadParameter("these options need --as with the forms to make.", param_hint="--as")
        _outputs(shoot, overrides, as_json)
        return
    from nearpair.shoot.material import Settings
    from nearpair.shoot.publishing import publish

    names = [name.strip() for given in as_forms for name in given.split(",") if name.strip()]
    settings = Settings(
        size_px=size,
        private=keep_private,
        paper=paper,
        pitch=pitch,
        dots=dots,
        print_mm=print_width,
        packing=packing,
        screen=screen,
        seconds=seconds,
        rocking=rocking,
        countdown=countdown,
        cues=cues,
    )
    with shown(say.errors()) as progress:
        found = publish(shoot, names, settings, about, overrides, progress)
    say.lines([*_published(found), *age_words.older(shoot)], to_stderr=as_json)
    if as_json:
        say.json(found)


def _outputs(shoot: Path, overrides: "Overrides", as_json: bool) -> None:
    """Write the outputs that every shoot has."""
    from nearpair.shoot.decisions import load
    from nearpair.shoot.exporting import anaglyph_name
    from nearpair.shoot.folder import ShootFolder
    from nearpair.shoot.glassesfile import glasses_named
    from nearpair.shoot.run import run

    with shown(say.errors()) as progress:
        run(shoot, "export", overrides, progress)
    folder = ShootFolder(shoot)
    colour = load(folder.toml).colour
    anaglyph = folder.out(anaglyph_name(glasses_named(colour.glasses).name, colour.method))
    say.lines([*words.stage_done(anaglyph, shoot), *age_words.older(shoot)], to_stderr=as_json)
    if as_json:
        say.json({"anaglyph": str(anaglyph)})


def _again(shoot: Path, as_json: bool) -> None:
    """Make what is older than the picture again; status 1 if some of it could not be made."""
    from nearpair.shoot.again import again

    with shown(say.errors()) as progress:
        found = again(shoot, progress)
    say.lines(age_words.remade(found), to_stderr=as_json)
    if as_json:
        say.json(found)
    if found.failed:
        raise typer.Exit(1)


def _list_made(shoot: Path, as_json: bool) -> None:
    """Say what is exported, and what of it is older than the picture."""
    from nearpair.shoot.again import ages
    from nearpair.shoot.folder import ShootFolder

    found = ages(ShootFolder.open(shoot))
    if as_json:
        say.json(found)
    else:
        say.lines(age_words.listed(found, shoot))


def _list(as_json: bool) -> None:
    if as_json:
        say.json(list(FORMS))
        return
    for form in FORMS:
        say.lines((Line("", form.name, "bold"),))
        say.lines((Line("", f"{words.sentence(form.what)}. Needs: {form.needs}.{_extra(form.extra)}"),))


def _extra(name: str) -> str:
    return f' To make it, install "nearpair[{name}]".' if name else ""


def _published(found: "Published") -> Iterator[Line]:
    for form in found.forms:
        yield Line("Made" if form.made else "Is there", ", ".join(form.files), whole=True)
        for note in form.notes:
            yield Line("", note, WEAK)
    yield Line("", words.CAUTION, WEAK)
