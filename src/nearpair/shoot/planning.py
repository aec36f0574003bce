"""Planning a shoot: what is known of a camera from a test frame and of an earlier shoot; a plan on disk."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from nearpair import __version__
from nearpair.errors import NearpairError, ShootError
from nearpair.frames.metadata import FrameInfo, read_info
from nearpair.optics.metric import sensor_diagonal_mm
from nearpair.optics.viewing import Viewing
from nearpair.plan import gcode, readings, sheet_page, sheet_pdf
from nearpair.plan.compute import plan as computed
from nearpair.plan.explore import page as explore_page
from nearpair.plan.formats import sensor_from_diagonal, sensor_size_mm
from nearpair.plan.model import Plan, encode
from nearpair.plan.request import OVERLAP, Camera, Effort, Kind, Rail, Request, Subject
from nearpair.shoot.atomic import write_whole
from nearpair.shoot.earlier import Before, before
from nearpair.shoot.folder import ShootFolder

_MB = 1e6
PLAN_FILE = "plan.json"


@dataclass(frozen=True, slots=True)
class Asked:
    """What somebody asks for; None where they leave it to the test frame, the earlier shoot or the plan.

    `sensor`: a format or WxH in mm. `frame`: a test frame. `like`: the folder of an earlier shoot.
    """

    subject: Subject
    sensor: str | None = None
    frame: Path | None = None
    like: Path | None = None
    focal_mm: float | None = None
    f_number: float | None = None
    pupil_ratio: float = 1.0
    largest_magnification: float | None = None
    screen_width_mm: float | None = None
    distance_mm: float | None = None
    eyes_mm: float | None = None
    comfort: str = "one-degree"
    kind: Kind | None = None
    overlap: float = OVERLAP
    base_mm: float | None = None
    rail: Rail = field(default_factory=Rail)
    effort: Effort = field(default_factory=Effort)
    file_mb: float | None = None


@dataclass(frozen=True, slots=True)
class Wanted:
    """What to write beside the plan itself."""

    title: str = ""
    explore: bool = False
    motor: gcode.Motor | None = None


def request_of(asked: Asked) -> Request:
    """Complete what was asked for from the earlier shoot and the test frame; what was stated goes first.

    Raises NearpairError, naming the option, for what is still missing.
    """
    earlier = None if asked.like is None else before(ShootFolder.open(asked.like))
    frame = _test_frame(asked, earlier)
    return Request(
        camera=_camera(asked, frame, earlier),
        subject=_subject(asked.subject, earlier),
        viewing=_viewing(asked, earlier),
        comfort=asked.comfort,
        kind=asked.kind or (None if earlier is None else earlier.kind),
        overlap=asked.overlap,
        base_mm=asked.base_mm,
        rail=asked.rail,
        effort=asked.effort,
        earlier=None if earlier is None else earlier.measured,
    )


def plan(asked: Asked, to: Path | None = None, wanted: Wanted | None = None) -> tuple[Plan, list[Path]]:
    """Plan a shoot, and write its sheets into the folder `to` if one is given; return what was written.

    Raises NearpairError for what cannot be shot or planned, and ShootError for a folder with other things.
    """
    wanted = wanted or Wanted()
    request = request_of(asked)
    found = computed(request, __version__, with_motor=wanted.motor is not None)
    contents = _contents(request, found, wanted)
    if to is None:
        return found, []
    _check_folder(to)
    written = [to / name for name in contents]
    for path in written:
        write_whole(path, contents[path.name])
    return found, written


def _contents(request: Request, found: Plan, wanted: Wanted) -> Mapping[str, bytes]:
    """All files of a plan, the plan itself first."""
    contents = {
        PLAN_FILE: encode(found),
        "sheet.pdf": sheet_pdf.pdf(found, wanted.title),
        "sheet.html": sheet_page.page(found, wanted.title).encode(),
        "readings.csv": readings.table(found.readings).encode(),
    }
    if wanted.explore:
        contents["explore.html"] = explore_page(request, wanted.title).encode()
    if wanted.motor is not None:
        program = gcode.program(found, request.rail, wanted.motor)
        contents["rail.nc"] = program.encode("ascii")
        contents["rail-dry-run.txt"] = gcode.preview(program).encode()
    return contents


def _check_folder(to: Path) -> None:
    """A plan goes into a new or empty folder, or over an earlier plan."""
    if to.is_dir() and ((to / PLAN_FILE).is_file() or not any(to.iterdir())):
        return
    if to.exists() or to.is_symlink():
        raise ShootError(f"{to}: holds other things than a plan.", "Name a new folder with --to.")


def _test_frame(asked: Asked, earlier: Before | None) -> FrameInfo | None:
    if asked.frame is not None:
        return read_info(asked.frame)
    return None if earlier is None else earlier.frame


def _camera(asked: Asked, frame: FrameInfo | None, earlier: Before | None) -> Camera:
    width_mm, height_mm = _sensor(asked, frame, earlier)
    stated = None if earlier is None else earlier.focal_mm
    focal_mm = asked.focal_mm or stated or (None if frame is None else frame.focal_length_mm)
    if focal_mm is None:
        raise NearpairError(
            "The focal length of the lens is not known.",
            "Give --focal-length MM, or --camera FRAME with a frame that says it.",
        )
    if frame is None:
        camera = Camera(width_mm, height_mm, focal_mm)
    else:
        camera = Camera(width_mm, height_mm, focal_mm, width_px=max(frame.size_px), file_mb=frame.bytes / _MB)
        name = "" if asked.f_number else frame.path.name
        camera = replace(camera, f_number=frame.f_number, from_what=name)
    return replace(
        camera,
        f_number=asked.f_number or camera.f_number,
        pupil_ratio=asked.pupil_ratio,
        largest_magnification=asked.largest_magnification,
        file_mb=asked.file_mb or camera.file_mb,
    )


def _sensor(asked: Asked, frame: FrameInfo | None, earlier: Before | None) -> tuple[float, float]:
    if asked.sensor is not None:
        return sensor_size_mm(asked.sensor)
    if earlier is not None and earlier.sensor_width_mm is not None:
        height, width = (2, 3) if frame is None else sorted(frame.size_px)
        return earlier.sensor_width_mm, earlier.sensor_width_mm * height / width
    if frame is not None and frame.focal_length_mm and frame.focal_length_35mm:
        diagonal = sensor_diagonal_mm(frame.focal_length_mm, frame.focal_length_35mm)
        return sensor_from_diagonal(diagonal, frame.size_px)
    raise NearpairError(
        "The size of the sensor is not known.",
        "Give --sensor, for example full-frame, aps-c or 22.3x14.9, or --camera FRAME with a frame whose "
        "camera writes the 35 mm equivalent of its focal length.",
    )


def _subject(stated: Subject, earlier: Before | None) -> Subject:
    if earlier is None or earlier.measured is None:
        return stated
    known = earlier.measured
    sized = (stated.magnification, stated.field_width_mm, stated.working_distance_mm, stated.near_mm)
    if all(value is None for value in sized) and known.magnification is not None:
        stated = replace(stated, magnification=known.magnification)
    if stated.depth_mm is None and stated.near_mm is None and known.depth_mm is not None:
        stated = replace(stated, depth_mm=known.depth_mm)
    return stated


def _viewing(asked: Asked, earlier: Before | None) -> Viewing:
    seen = Viewing() if earlier is None else earlier.viewing
    return Viewing(
        asked.screen_width_mm or seen.screen_width_mm,
        asked.distance_mm or seen.distance_mm,
        asked.eyes_mm or seen.eyes_mm,
    )
