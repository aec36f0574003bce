"""The options of `nearpair plan`, and how what is typed becomes values."""

import math
from pathlib import Path
from typing import Annotated, Literal, cast

import typer

from nearpair.cli.options import LARGEST, listed
from nearpair.errors import NearpairError
from nearpair.plan.formats import SENSOR_FORMATS, sensor_size_mm

COMFORT_NAMES = ("one-degree", "zone-of-comfort")
KIND_NAMES = ("rail", "ring")

_CAMERA, _SUBJECT, _RAIL, _RESULT = "Camera", "Subject", "Rail and effort", "What is made"


def _one_of(names: tuple[str, ...], value: str | None) -> str | None:
    if value is not None and value not in names:
        raise typer.BadParameter(f"expected {listed(names)}, found {value!r}.")
    return value


def _kind(value: str | None) -> str | None:
    return _one_of(KIND_NAMES, value)


def _comfort(value: str | None) -> str | None:
    return _one_of(COMFORT_NAMES, value)


def _sensor(value: str | None) -> str | None:
    if value is not None:
        try:
            sensor_size_mm(value)
        except NearpairError as error:
            raise typer.BadParameter(str(error)) from None
    return value


def _above_zero(value: float | None) -> float | None:
    if value is not None and not 0 < value <= LARGEST:
        raise typer.BadParameter(f"expected a number above 0, found {value:g}.")
    return value


def _far(value: float | None) -> float | None:
    if value is not None and value != math.inf:
        return _above_zero(value)
    return value


def _overlap(value: float | None) -> float | None:
    if value is not None and not 0 <= value <= 0.9:
        raise typer.BadParameter(f"expected a share from 0 to 0.9, for example 0.3; found {value:g}.")
    return value


def _reading(value: float | None) -> float | None:
    if value is not None and not abs(value) <= LARGEST:
        raise typer.BadParameter(f"expected a reading in mm, found {value:g}.")
    return value


def _positive(flag: str, help_: str, panel: str, metavar: str = "MM") -> typer.models.OptionInfo:
    found = typer.Option(flag, metavar=metavar, callback=_above_zero, help=help_, rich_help_panel=panel)
    return cast("typer.models.OptionInfo", found)


Sensor = Annotated[
    str | None,
    typer.Option(
        "--sensor",
        metavar="FORMAT",
        callback=_sensor,
        help=f"Sensor: {', '.join(SENSOR_FORMATS)}, or width x height in mm.",
        rich_help_panel=_CAMERA,
    ),
]
Frame = Annotated[
    Path | None,
    typer.Option(
        "--camera",
        metavar="FRAME",
        help="A test frame: its file says sensor, lens and f-number.",
        rich_help_panel=_CAMERA,
    ),
]
FNumber = Annotated[
    float | None,
    _positive("--f-number", "f-number on the ring; if not given, the best one is planned.", _CAMERA, "N"),
]
PupilRatio = Annotated[
    float | None,
    _positive("--pupil-ratio", "Exit over entrance pupil; 1 if not given.", _CAMERA, "RATIO"),
]
LargestMagnification = Annotated[
    float | None,
    _positive("--largest-magnification", "The most the lens can do, 1 for life size.", _CAMERA, "M"),
]
Magnification = Annotated[
    float | None, _positive("--magnification", "Size on the sensor over size of the subject.", _SUBJECT, "M")
]
WorkingDistance = Annotated[
    float | None,
    _positive("--working-distance", "From the lens (its entrance pupil) to what is in focus.", _SUBJECT),
]
Depth = Annotated[
    float | None, _positive("--depth", "From the subject's nearest to its farthest point.", _SUBJECT)
]
Deepest = Annotated[
    float | None, _positive("--deepest", "The most the depth may be, if it is uncertain.", _SUBJECT)
]
Near = Annotated[
    float | None, _positive("--near", "Distance of the nearest point from the lens, with --far.", _SUBJECT)
]
Far = Annotated[
    float | None,
    typer.Option(
        "--far",
        metavar="MM",
        callback=_far,
        help="Distance of the farthest point from the lens; inf for a landscape.",
        rich_help_panel=_SUBJECT,
    ),
]
Comfort = Annotated[
    str | None,
    typer.Option(
        "--comfort",
        metavar="RULE",
        callback=_comfort,
        help=f"What counts as comfortable: {listed(COMFORT_NAMES)}.",
    ),
]
StackKind = Annotated[
    str | None,
    typer.Option(
        "--kind",
        metavar="KIND",
        callback=_kind,
        help=f"How focus is moved: {listed(KIND_NAMES)}.",
        rich_help_panel=_RAIL,
    ),
]
Overlap = Annotated[
    float | None,
    typer.Option(
        "--overlap",
        metavar="SHARE",
        callback=_overlap,
        help="Share of its depth of field that a frame has in common with the next; 0.3 if not given.",
        rich_help_panel=_RAIL,
    ),
]
Start = Annotated[
    float | None,
    typer.Option(
        "--start",
        metavar="MM",
        callback=_reading,
        help="Reading of the rail at the first frame; 0 if not given.",
        rich_help_panel=_RAIL,
    ),
]
Division = Annotated[
    float | None,
    _positive("--division", "Finest division the rail is set to; 0.01 mm if not given.", _RAIL),
]
Travel = Annotated[float | None, _positive("--travel", "How far the focus rail reaches.", _RAIL)]
BaseTravel = Annotated[float | None, _positive("--base-travel", "How far the sideways axis reaches.", _RAIL)]
FrameTime = Annotated[float | None, _positive("--frame-time", "Time from frame to frame.", _RAIL, "SECONDS")]
FileSize = Annotated[float | None, _positive("--file-size", "Size of one frame's file.", _RAIL, "MB")]
BatteryFrames = Annotated[
    int | None, _positive("--battery-frames", "Frames on one charge of the battery.", _RAIL, "NUMBER")
]
Like = Annotated[
    Path | None,
    typer.Option(
        "--like",
        metavar="SHOOT",
        help="An earlier shoot: what its proof measured corrects this plan.",
        rich_help_panel=_SUBJECT,
    ),
]
To = Annotated[
    Path | None,
    typer.Option(
        "--to",
        metavar="DIR",
        help="Folder for the shot sheet (PDF and phone page), table and plan; shot-plan if one is needed.",
        rich_help_panel=_RESULT,
    ),
]
Title = Annotated[
    str, typer.Option("--title", metavar="TEXT", help="Title of the sheet.", rich_help_panel=_RESULT)
]
Explore = Annotated[
    bool, typer.Option("--explore", help="Charts of the trade-offs as well.", rich_help_panel=_RESULT)
]
Gcode = Annotated[
    bool,
    typer.Option(
        "--gcode",
        help="Also a program for a motorised rail (ISO 6983). Moving parts can hurt: watch a dry run first.",
        rich_help_panel=_RESULT,
    ),
]
Feed = Annotated[
    float | None, _positive("--feed", "Speed of a motorised rail, 60 mm/min if not given.", _RESULT, "MM/MIN")
]
Settle = Annotated[
    float | None,
    _positive("--settle", "Pause after each move of a motorised rail, 2 s if not given.", _RESULT, "SECONDS"),
]
Hold = Annotated[
    float | None,
    _positive(
        "--hold", "Instead of stopping at each frame, hold still so long for a timer.", _RESULT, "SECONDS"
    ),
]


def kind_of(value: str | None) -> Literal["rail", "ring"] | None:
    """Return the kind of stack as the plan takes it."""
    return cast("Literal['rail', 'ring'] | None", value)
