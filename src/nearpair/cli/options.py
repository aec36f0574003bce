"""The arguments and options that commands share, and how what is typed becomes values."""

import math
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal, get_args, get_type_hints

import typer

from nearpair.colour.glasses import GLASSES
from nearpair.optics.presets import PRESETS
from nearpair.optics.sources import EYES_LARGEST_MM, EYES_SMALLEST_CHILD_MM
from nearpair.shoot.decisions import ASPECT, ColourDecisions

WindowWord = Literal["auto", "near", "far"]
FloatingWord = Literal["auto", "never"]


@dataclass(frozen=True, slots=True)
class Window:
    """Where the stereo window stands, as the shoot takes it; a class, for Typer knows no unions."""

    value: WindowWord | tuple[float, float]


@dataclass(frozen=True, slots=True)
class Crop:
    """The crop as the shoot takes it."""

    value: Literal["auto"] | tuple[int, int, int, int]


@dataclass(frozen=True, slots=True)
class Pair:
    """Two stations by name, in any order."""

    value: tuple[str, str]


@dataclass(frozen=True, slots=True)
class Floating:
    """When sides of the frame float, as the shoot takes it."""

    value: FloatingWord


WINDOW_WORDS: dict[str, WindowWord] = {word: word for word in get_args(WindowWord)}

FLOATING_WORDS: dict[str, FloatingWord] = {word: word for word in get_args(FloatingWord)}

GLASSES_NAMES: tuple[str, ...] = tuple(GLASSES)
METHOD_NAMES: tuple[str, ...] = get_args(get_type_hints(ColourDecisions)["method"])
LARGEST = 1e6
"""No length in mm and no place in px is larger than this."""


def listed(names: tuple[str, ...]) -> str:
    """Name all choices: "a, b or c"."""
    return f"{', '.join(names[:-1])} or {names[-1]}"


def parse_window(text: str) -> Window:
    """Read "auto", "near", "far" or a point "X,Y" in px. Raises typer.BadParameter for anything else."""
    word = text.strip().lower()
    if word in WINDOW_WORDS:
        return Window(WINDOW_WORDS[word])
    numbers = [_number(part) for part in word.split(",")]
    if len(numbers) != 2 or any(not 0 <= number <= LARGEST for number in numbers):
        raise typer.BadParameter(
            f"expected auto, near, far or a point X,Y in px of the left view, for example 812,540; "
            f"found {text!r}."
        )
    return Window((numbers[0], numbers[1]))


def parse_crop(text: str) -> Crop:
    """Read "auto" or "X,Y,WIDTH,HEIGHT" in whole px. Raises typer.BadParameter for anything else."""
    word = text.strip().lower()
    if word == "auto":
        return Crop("auto")
    parts = [part.strip() for part in word.split(",")]
    if len(parts) != 4 or not all(part.isascii() and part.isdigit() and len(part) < 7 for part in parts):
        raise typer.BadParameter(
            "expected auto or X,Y,WIDTH,HEIGHT in whole px of the left view, for example 120,80,3000,2000; "
            f"found {text!r}."
        )
    x, y, width, height = (int(part) for part in parts)
    return Crop((x, y, width, height))


def parse_pair(text: str) -> Pair:
    """Read "A,B", two names of stations. Raises typer.BadParameter for anything else."""
    names = [part.strip() for part in text.split(",")]
    if len(names) != 2 or not all(names) or names[0] == names[1]:
        raise typer.BadParameter(
            f"expected two stations with a comma between, for example station-1,station-3; found {text!r}. "
            "Names that hold a comma can be written into shoot.toml."
        )
    return Pair((names[0], names[1]))


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan


def _one_of(value: str | None, names: tuple[str, ...]) -> str | None:
    if value is not None and value not in names:
        raise typer.BadParameter(f"expected {listed(names)}, found {value!r}.")
    return value


def _aspect(value: str | None) -> str | None:
    """Check an aspect ratio. Raises typer.BadParameter for anything but "auto" and W:H."""
    if value is not None and not re.match(ASPECT, value.strip().lower()):
        raise typer.BadParameter(f"expected auto or width to height, for example 4:3, found {value!r}.")
    return None if value is None else value.strip().lower()


def parse_floating(text: str) -> Floating:
    """Read "auto" or "never". Raises typer.BadParameter for anything else."""
    word = text.strip().lower()
    if word not in FLOATING_WORDS:
        raise typer.BadParameter(f"expected auto or never, found {text!r}.")
    return Floating(FLOATING_WORDS[word])


def _glasses(value: str | None) -> str | None:
    """Check a kind of glasses; the path of a calibration file is made whole, for it goes into the shoot."""
    if value is None or not value.endswith(".toml"):
        return _one_of(value, GLASSES_NAMES)
    path = Path(value).expanduser().absolute()
    if not path.is_file():
        raise typer.BadParameter(f"there is no calibration file {value!r}; make one with: nearpair glasses.")
    return str(path)


def _method(value: str | None) -> str | None:
    return _one_of(value, METHOD_NAMES)


def _light(value: str | None) -> str | None:
    return _one_of(value, ("auto", "even", "as-shot"))


def _length(value: float | None) -> float | None:
    if value is not None and not 0 < value <= LARGEST:
        raise typer.BadParameter(f"expected a length above 0 in mm, found {value:g}.")
    return value


def _base_share(value: float | None) -> float | None:
    if value is not None and not 0 < value <= 1:
        raise typer.BadParameter(
            f"expected a share of the stereo base as shot, above 0 and at most 1, for example 0.6; "
            f"found {value:g}."
        )
    return value


def _pupils(value: float | None) -> float | None:
    smallest, largest = EYES_SMALLEST_CHILD_MM.value, EYES_LARGEST_MM.value
    if value is not None and not smallest <= value <= largest:
        raise typer.BadParameter(
            f"expected the distance of the pupils, {smallest:.0f} to {largest:.0f} mm, found {value:g}."
        )
    return value


Sources = Annotated[
    list[Path],
    typer.Argument(metavar="SOURCE", help="The card's folder, or one folder for each station; only read."),
]
Shoot = Annotated[Path, typer.Argument(metavar="SHOOT", help="The folder of the shoot.")]

_WHO = "Which station shows what the {eye} eye sees: its name or folder."
Left = Annotated[str | None, typer.Option("--left", metavar="NAME", help=_WHO.format(eye="left"))]
Right = Annotated[str | None, typer.Option("--right", metavar="NAME", help=_WHO.format(eye="right"))]
PairOf = Annotated[
    Pair | None,
    typer.Option(
        "--pair",
        parser=parse_pair,
        metavar="A,B",
        help="Of more than two stations, the two that make the pair, in any order: their names or folders.",
    ),
]
WindowPlace = Annotated[
    Window | None,
    typer.Option(
        "--window",
        parser=parse_window,
        metavar="PLACE",
        help="Where the stereo window stands: auto, near, far, or a point X,Y in px of the left view.",
    ),
]
Aspect = Annotated[
    str | None,
    typer.Option(
        "--aspect",
        metavar="W:H",
        callback=_aspect,
        help="Shape of the crop, width to height, or auto: as the frames.",
    ),
]
CropPlace = Annotated[
    Crop | None,
    typer.Option(
        "--crop",
        parser=parse_crop,
        metavar="X,Y,W,H",
        help="The crop by hand, in px of the left view as it lies, or auto.",
    ),
]
FloatingWhen = Annotated[
    Floating | None,
    typer.Option(
        "--floating",
        parser=parse_floating,
        metavar="WHEN",
        help="Masks where a side of the frame cuts what stands in front of it: auto or never.",
    ),
]
LightOf = Annotated[
    str | None,
    typer.Option(
        "--light",
        metavar="HOW",
        callback=_light,
        help="Views that differ in brightness or colour: auto evens what surely does, even, or as-shot.",
    ),
]
Shift = Annotated[
    float | None,
    typer.Option(
        "--shift",
        metavar="PX",
        min=-1e5,
        max=1e5,
        help="By hand: the right picture so far right: all stands farther behind the window.",
    ),
]
Raise = Annotated[
    float | None,
    typer.Option("--raise", metavar="PX", min=-1e5, max=1e5, help="By hand: the right picture this far up."),
]
Turn = Annotated[
    float | None,
    typer.Option("--turn", metavar="DEG", min=-10, max=10, help="By hand: the right picture clockwise."),
]
Size = Annotated[
    float | None,
    typer.Option("--scale", metavar="TIMES", min=0.9, max=1.1, help="By hand: the right picture larger."),
]
BaseShare = Annotated[
    float | None,
    typer.Option(
        "--base-share",
        metavar="SHARE",
        callback=_base_share,
        help="Less depth without shooting anew: 0.6 shows the pair as from 0.6 of its base, 1 as shot.",
    ),
]
LensName = Annotated[
    str | None,
    typer.Option(
        "--lens",
        metavar="NAME",
        help="Take out the distortion of this lens; `auto`: if the frames and a database tell; or `never`.",
    ),
]
ScreenWidth = Annotated[
    float | None,
    typer.Option("--screen-width", metavar="MM", callback=_length, help="Width of the shown picture."),
]
Distance = Annotated[
    float | None,
    typer.Option("--distance", metavar="MM", callback=_length, help="How far from it the viewer sits."),
]
PRESET_NAMES: tuple[str, ...] = tuple(PRESETS)


def _viewing(value: str | None) -> str | None:
    return _one_of(value, PRESET_NAMES)


def seen(
    viewing: str | None, width: float | None, distance: float | None
) -> tuple[float | None, float | None]:
    """Width and distance in mm: as given, else of the way of looking that was named, else None."""
    if viewing is None:
        return width, distance
    preset = PRESETS[viewing]
    return (
        preset.screen_width_mm if width is None else width,
        preset.distance_mm if distance is None else distance,
    )


ViewingWay = Annotated[
    str | None,
    typer.Option(
        "--viewing",
        metavar="WAY",
        callback=_viewing,
        help=f"Usual width and distance of a way of looking: {listed(PRESET_NAMES)}.",
    ),
]
Pupils = Annotated[
    float | None,
    typer.Option("--eyes", metavar="MM", callback=_pupils, help="Distance of the viewer's pupils."),
]
Base = Annotated[
    float | None,
    typer.Option("--base", metavar="MM", callback=_length, help="Sideways move between the two stations."),
]
Step = Annotated[
    float | None,
    typer.Option("--step", metavar="MM", callback=_length, help="Move of the focus from frame to frame."),
]
FieldWidth = Annotated[
    float | None,
    typer.Option(
        "--field-width",
        metavar="MM",
        callback=_length,
        help="Width of what a frame shows in its plane of focus.",
    ),
]
SensorWidth = Annotated[
    float | None,
    typer.Option("--sensor-width", metavar="MM", callback=_length, help="Width of the camera's sensor."),
]
FocalLength = Annotated[
    float | None,
    typer.Option(
        "--focal-length",
        metavar="MM",
        callback=_length,
        help="Focal length as it is at this magnification.",
    ),
]
GlassesName = Annotated[
    str | None,
    typer.Option(
        "--glasses",
        metavar="NAME",
        callback=_glasses,
        help=f"Coloured glasses: {listed(GLASSES_NAMES)}, or a calibration file (see nearpair glasses).",
    ),
]
Method = Annotated[
    str | None,
    typer.Option(
        "--method", metavar="NAME", callback=_method, help=f"How colours are mixed: {listed(METHOD_NAMES)}."
    ),
]
Strict = Annotated[
    bool | None,
    typer.Option(
        "--strict/--no-strict", help="Stop at a frame that cannot be used, or set it aside and go on."
    ),
]
Fix = Annotated[
    bool,
    typer.Option(
        "--fix", help="Try the remedies that need no new frames; keep what helps, and show before and after."
    ),
]
Json = Annotated[
    bool, typer.Option("--json", help="Result as JSON on standard output, everything else on standard error.")
]
