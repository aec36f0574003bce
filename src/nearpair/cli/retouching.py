"""`nearpair retouch`: which frame a place of a view shows, and areas that show another one, in both eyes."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from nearpair.cli import age_words, options, retouch_words, say
from nearpair.cli.faults import told
from nearpair.cli.progress import shown

if TYPE_CHECKING:
    from nearpair.shoot.decisions import Retouch
    from nearpair.shoot.sources import Sources

_RADIUS_OF_WIDTH = 0.01


@dataclass(frozen=True, slots=True)
class Points:
    """A line through points (x, y), px of a view; a class, for Typer knows no tuples of tuples."""

    value: tuple[tuple[float, float], ...]


def parse_points(text: str) -> Points:
    """Read "X,Y" or "X,Y X,Y ...". Raises typer.BadParameter for anything else."""
    number = r"-?[0-9]+(?:\.[0-9]+)?"
    if not re.fullmatch(rf"\s*{number},{number}(?:\s+{number},{number})*\s*", text):
        raise typer.BadParameter(
            f'expected points X,Y in px of the view, such as 812,540 or "812,540 860,552"; found {text!r}.'
        )
    pairs = [pair.split(",") for pair in text.split()]
    return Points(tuple((float(x), float(y)) for x, y in pairs))


At = Annotated[
    Points | None,
    typer.Option(
        "--at",
        parser=parse_points,
        metavar="X,Y",
        help='A place in px of the view; of several, "X,Y X,Y ...", the line through them.',
    ),
]
StationName = Annotated[
    str | None,
    typer.Option("--station", metavar="NAME", help="On whose view: a station of the pair; the left eye's."),
]
Frame = Annotated[
    str | None, typer.Option("--frame", metavar="FILE", help="The frame of that station to show there.")
]
Radius = Annotated[
    float | None,
    typer.Option("--radius", metavar="PX", min=0.5, max=1e4, help="So far around; 1 % of the width."),
]
Eyes = Annotated[
    bool,
    typer.Option("--both-eyes/--one-eye", help="Show the same plane of focus to the other eye too, or not."),
]
Back = Annotated[
    int | None,
    typer.Option("--take-back", metavar="N", min=1, help="Take back number N of the list."),
]


@told
def retouch(
    shoot: options.Shoot,
    at: At = None,
    station: StationName = None,
    frame: Frame = None,
    radius: Radius = None,
    both_eyes: Eyes = True,
    take_back: Back = None,
    as_json: options.Json = False,
) -> None:
    """Say which frame a place of a view shows, show another one there, or list what was retouched.

    With --at and --frame an area of the view shows that frame, and the same area of the other eye's view the
    frame of its own stack that is focused on the same plane. The pair is mounted anew. Kept in shoot.toml.

    For example:

        nearpair retouch quartz
        nearpair retouch quartz --at 812,540
        nearpair retouch quartz --at 812,540 --frame IMG_0012.JPG --radius 40
        nearpair retouch quartz --at "812,540 860,552" --frame IMG_0012.JPG --station left
        nearpair retouch quartz --take-back 1
    """
    from nearpair.shoot.decisions import Retouch, load
    from nearpair.shoot.folder import ShootFolder

    _check(at, frame, take_back)
    folder = ShootFolder.open(shoot)
    present = load(folder.toml).retouches
    if take_back is not None:
        _mount(shoot, _without(present, take_back))
    elif at is not None:
        with shown(say.errors()) as progress:
            from nearpair.shoot.sources import Sources

            sources = Sources.open(folder, progress)
        eye = 0 if station is None else sources.eye(station)
        if frame is None:
            _source(sources, eye, at.value[0], as_json)
            return
        radius = max(1.0, round(_RADIUS_OF_WIDTH * sources.width_px, 1)) if radius is None else radius
        where = sources.station(eye), frame, radius, at.value
        wanted = Retouch(*where, "both" if both_eyes else "one", sources.reference(eye))
        _mount(shoot, [*present, wanted])
    _listed(shoot, as_json)


def _check(at: Points | None, frame: str | None, take_back: int | None) -> None:
    if frame is not None and at is None:
        raise typer.BadParameter("--frame needs a place: add --at X,Y.")
    if take_back is not None and at is not None:
        raise typer.BadParameter("--take-back and --at are two things to do: give one of them.")


def _without(present: Sequence["Retouch"], number: int) -> list["Retouch"]:
    if number > len(present):
        raise typer.BadParameter(f"--take-back: there are {len(present)} retouches, not {number}.")
    return [one for k, one in enumerate(present, 1) if k != number]


def _mount(shoot: Path, wanted: Sequence["Retouch"]) -> None:
    from nearpair.shoot.deciding import Overrides
    from nearpair.shoot.run import run

    with shown(say.errors()) as progress:
        run(shoot, "mount", Overrides(retouches=tuple(wanted)), progress)


def _source(sources: "Sources", eye: int, point: tuple[float, float], as_json: bool) -> None:
    found = sources.of_view(eye, point)
    say.lines(retouch_words.source(found, eye), to_stderr=as_json)
    if as_json:
        say.json(found)


def _listed(shoot: Path, as_json: bool) -> None:
    """Say what is retouched, and what was done for the other eye where the pair was mounted since."""
    from nearpair.shoot.decisions import load
    from nearpair.shoot.folder import ShootFolder
    from nearpair.shoot.memo import Memo
    from nearpair.shoot.retouching import retouched_last
    from nearpair.shoot.run import program

    folder = ShootFolder.open(shoot)
    decided = load(folder.toml).retouches
    done = retouched_last(folder, Memo(folder.cache, program()))
    say.lines([*retouch_words.listed(decided, done, shoot), *age_words.older(shoot)], to_stderr=as_json)
    if as_json:
        say.json({"retouches": decided, "done": done})
