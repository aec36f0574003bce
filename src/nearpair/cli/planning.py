"""`nearpair plan`: its arguments become a request, its plan becomes words and files."""

from pathlib import Path
from typing import TYPE_CHECKING, Any

from nearpair.cli import options, plan_options, say
from nearpair.cli.faults import told

if TYPE_CHECKING:
    from nearpair.shoot.planning import Asked, Wanted


SHEETS = Path("shot-plan")
"""Where sheets go if they are asked for and no folder is named."""


@told
def plan(
    depth: plan_options.Depth = None,
    deepest: plan_options.Deepest = None,
    magnification: plan_options.Magnification = None,
    field_width: options.FieldWidth = None,
    working_distance: plan_options.WorkingDistance = None,
    near: plan_options.Near = None,
    far: plan_options.Far = None,
    like: plan_options.Like = None,
    sensor: plan_options.Sensor = None,
    camera: plan_options.Frame = None,
    focal_length: options.FocalLength = None,
    f_number: plan_options.FNumber = None,
    pupil_ratio: plan_options.PupilRatio = None,
    largest_magnification: plan_options.LargestMagnification = None,
    viewing: options.ViewingWay = None,
    screen_width: options.ScreenWidth = None,
    distance: options.Distance = None,
    eyes: options.Pupils = None,
    comfort: plan_options.Comfort = None,
    base: options.Base = None,
    kind: plan_options.StackKind = None,
    overlap: plan_options.Overlap = None,
    start: plan_options.Start = None,
    division: plan_options.Division = None,
    travel: plan_options.Travel = None,
    base_travel: plan_options.BaseTravel = None,
    frame_time: plan_options.FrameTime = None,
    file_size: plan_options.FileSize = None,
    battery_frames: plan_options.BatteryFrames = None,
    to: plan_options.To = None,
    title: plan_options.Title = "",
    explore: plan_options.Explore = False,
    gcode: plan_options.Gcode = False,
    feed: plan_options.Feed = None,
    settle: plan_options.Settle = None,
    hold: plan_options.Hold = None,
    as_json: options.Json = False,
) -> None:
    """Plan a shoot: stereo base, focus steps, number of frames, and a shot sheet to tick off.

    What cannot be shot is refused, with the reason and the nearest that works. With --to the sheet is
    written, to print and for the phone.

    For example:

        nearpair plan --sensor full-frame --focal-length 100 --magnification 0.5 --depth 20
        nearpair plan --camera test.jpg --field-width 45 --depth 12 --to quartz-plan --explore
        nearpair plan --sensor aps-c --focal-length 60 --working-distance 210 --depth 15 --deepest 25
        nearpair plan --like quartz --depth 20 --magnification 0.5 --to quartz-again
        nearpair plan --sensor full-frame --focal-length 35 --near 2000 --far inf --distance 2500
    """
    values = dict(locals())
    if to is None and (explore or gcode or title):
        to = SHEETS
    found, written = _planned(_asked(values), to, _wanted(values))
    _finished(found, written, as_json)


def _planned(asked: "Asked", to: Path | None, wanted: "Wanted") -> tuple[Any, list[Path]]:
    from nearpair.shoot.planning import plan as plan_shoot

    return plan_shoot(asked, to, wanted)


def _asked(values: dict[str, Any]) -> "Asked":
    from nearpair.plan.request import OVERLAP, Effort, Rail, Subject
    from nearpair.shoot.planning import Asked

    subject = Subject(
        depth_mm=values["depth"],
        deepest_mm=values["deepest"],
        magnification=values["magnification"],
        field_width_mm=values["field_width"],
        working_distance_mm=values["working_distance"],
        near_mm=values["near"],
        far_mm=values["far"],
    )
    rail = Rail(
        start_mm=values["start"] or 0.0,
        division_mm=values["division"] or Rail().division_mm,
        travel_mm=values["travel"],
        base_travel_mm=values["base_travel"],
    )
    width, distance = options.seen(values["viewing"], values["screen_width"], values["distance"])
    return Asked(
        subject=subject,
        sensor=values["sensor"],
        frame=values["camera"],
        like=values["like"],
        focal_mm=values["focal_length"],
        f_number=values["f_number"],
        pupil_ratio=values["pupil_ratio"] or 1.0,
        largest_magnification=values["largest_magnification"],
        screen_width_mm=width,
        distance_mm=distance,
        eyes_mm=values["eyes"],
        comfort=values["comfort"] or "one-degree",
        kind=plan_options.kind_of(values["kind"]),
        overlap=OVERLAP if values["overlap"] is None else values["overlap"],
        base_mm=values["base"],
        rail=rail,
        effort=Effort(values["frame_time"], values["battery_frames"]),
        file_mb=values["file_size"],
    )


def _wanted(values: dict[str, Any]) -> "Wanted":
    from nearpair.errors import NearpairError
    from nearpair.plan.gcode import FEED_MM_MIN, SETTLE_S, Motor
    from nearpair.shoot.planning import Wanted

    for name in ("feed", "settle", "hold"):
        if values[name] is not None and not values["gcode"]:
            raise NearpairError(f"--{name} is for a motorised rail.", "Add --gcode, or leave it out.")
    motor = None
    if values["gcode"]:
        motor = Motor(values["feed"] or FEED_MM_MIN, values["settle"] or SETTLE_S, values["hold"])
    return Wanted(title=values["title"], explore=values["explore"], motor=motor)


def _finished(found: Any, written: list[Path], as_json: bool) -> None:
    from nearpair.cli import plan_words
    from nearpair.plan.model import encode

    say.lines(plan_words.plan(found, written), to_stderr=as_json)
    if as_json:
        say.json(encode(found))
