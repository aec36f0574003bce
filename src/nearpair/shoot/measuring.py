"""Measuring the mounted pair in mm: from what was stated, what the pictures say, and the lens."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import msgspec
import numpy as np
from numpy.typing import NDArray

from nearpair.frames.write import read_tiff, write_float_tiff
from nearpair.optics import adjustment
from nearpair.optics.adjustment import Adjusted, Estimate, Observation, adjust, differs
from nearpair.optics.metric import pixel_um, sensor_diagonal_mm
from nearpair.optics.sources import MARKED_LENS_ERROR, RECORDED_DISTANCE_ERROR
from nearpair.pairs.metric import Course, course_by_ring, course_on_rail, recorded_step
from nearpair.pixels.luma import Plane
from nearpair.proof.model import Length, Metric
from nearpair.shoot.atomic import replacing
from nearpair.shoot.decisions import Capture
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.looking import Member
from nearpair.shoot.memo import Memo, key_of
from nearpair.shoot.mounting import Mounted, focus_map
from nearpair.stacks.registration import error_of_scale, magnifications

# Relative standard errors: of what is read off a rail or a ruler; of a focal length stated as it is at this
# magnification; the least of what pictures tell (ray-traced stacks with known steps: 0.1 to 0.3 %).
_READ, _FOCAL_STATED, _LEAST = 0.01, 0.05, 0.005
# Cameras that slide on a rail point the same way to about this share of the frame's width.
_POINTS_ASIDE = 0.01
_ROUNDS, _SETTLED = 12, 1e-4
# A straight course has the slope of the mean distance, not of the plane of focus at the end of the stack.
_STRAIGHT = 0.1
_MOVES: tuple[adjustment.Name, ...] = ("base", "step")
_BORNE_OUT, _UNDECIDED, _CONTRADICTED = range(3)
_NEAR_PERCENTILE, _FAR_PERCENTILE = 1.0, 99.0


class Measured(msgspec.Struct, frozen=True):
    """What is known of a pair in mm."""

    metric: Metric | None


@dataclass(frozen=True, slots=True)
class _Lens:
    """What is known of the lens: sizes in mm, of a pixel in um."""

    pixel_um: float | None
    focal_mm: float | None
    focal_sigma: float


@dataclass(frozen=True, slots=True)
class _Shoot:
    """The reference frame of the left eye, its stack, and the disparity of the left view."""

    member: Member
    disparity: Plane
    """(h, w) px of the full view, x_left - x_right before mounting."""
    frame: Plane
    """(h, w) frame in which each pixel is sharpest."""
    width_px: int
    lens: _Lens


@dataclass(frozen=True, slots=True)
class _Found:
    """The adjustment, and closeness u/Z = (disparity - offset_px)/focus_px."""

    adjusted: Adjusted
    offset_px: float
    focus_px: float
    distance_mm: float
    is_straight: bool
    """Whether the course of a focus ring is known as a straight line only: u is not known."""

    def size(self, disparity: NDArray[np.floating]) -> NDArray[np.float64]:
        """Size of a pixel over that in the plane of focus: Z/u."""
        if self.is_straight:  # the cameras are taken to be parallel
            return (self.offset_px + self.focus_px) / disparity.astype(np.float64)
        return self.depth_mm(disparity) / self.distance_mm

    def depth_mm(self, disparity: NDArray[np.floating]) -> NDArray[np.float64]:
        """Distance; NaN beyond infinity."""
        closeness = (disparity.astype(np.float64) - self.offset_px) / self.focus_px
        return self.distance_mm / np.where(closeness > 0, closeness, np.nan)


def measure(
    shoot: ShootFolder, memo: Memo, pair: tuple[Member, Member], mounted: Mounted, capture: Capture
) -> Metric | None:
    """Say what is known in mm, and write the depth of every pixel, unless the same was done before."""
    lens = _lens(pair[0], capture)
    key = key_of(mounted.key, capture, lens)
    for outputs in ([shoot.depth], []):
        recalled = memo.recall("measure", key, outputs)
        if recalled is not None:
            return msgspec.json.decode(recalled, type=Measured).metric
    shoot.depth.unlink(missing_ok=True)
    found = None
    if capture.base_mm or capture.step_mm or capture.field_width_mm:
        # of the views as shot: lengths do not depend on the base that the pair is seen from
        parallax = np.divide(read_tiff(shoot.parallax), mounted.mounting.base_share, dtype=np.float32)
        found = _measured(_opened(shoot, pair[0], mounted, parallax, lens), capture, mounted, parallax)
    outputs = []
    if found is not None and found[1] is not None:
        outputs = [shoot.depth]
        with replacing(shoot.depth) as part:
            write_float_tiff(part, found[1])
    metric = None if found is None else found[0]
    memo.record("measure", key, outputs, msgspec.json.encode(Measured(metric)))
    return metric


def _lens(member: Member, capture: Capture) -> _Lens:
    frame = member.station.frames[member.survey.used[member.reference]]
    height, width = frame.size_px
    pixel = None
    if capture.sensor_width_mm is not None:
        pixel = pixel_um(capture.sensor_width_mm, width)
    elif frame.focal_length_mm is not None and frame.focal_length_35mm is not None:
        diagonal_mm = sensor_diagonal_mm(frame.focal_length_mm, frame.focal_length_35mm)
        pixel = 1000 * diagonal_mm / math.hypot(height, width)
    if capture.focal_mm is not None:
        return _Lens(pixel, capture.focal_mm, _FOCAL_STATED)
    return _Lens(pixel, frame.focal_length_mm, MARKED_LENS_ERROR.value)


def _opened(shoot: ShootFolder, member: Member, mounted: Mounted, parallax: Plane, lens: _Lens) -> _Shoot:
    x, y, width, height = mounted.mounting.crop_px
    whole = focus_map(shoot, member.station.name, mounted.mounting.lens, retouched=mounted.retouched[0])
    frame = whole[y : y + height, x : x + width]
    disparity = np.asarray(np.float32(mounted.mounting.shift_px) - parallax, np.float32)
    return _Shoot(member, disparity, frame, member.station.frames[0].size_px[1], lens)


def _measured(
    shoot: _Shoot, capture: Capture, mounted: Mounted, parallax: Plane
) -> tuple[Metric, Plane | None] | None:
    lengths, said, one_of_two = _compared(shoot, _stated(shoot, capture), capture)
    found, rests = _with_recorded(shoot, said, *_adjusted(shoot, said))
    base, step = (_told(lengths[name], found.adjusted.named(name)) for name in _MOVES)
    metric = Metric(base=base, step=step, one_of_two=one_of_two, rests_on=rests)
    known = parallax[np.isfinite(parallax)]
    if not known.size:
        return metric, None
    window_px = mounted.mounting.shift_px
    near_px, far_px = window_px - np.percentile(known, (_NEAR_PERCENTILE, _FAR_PERCENTILE))
    ends = np.array([window_px, near_px, far_px])
    metric = _with_sizes(metric, found, found.size(ends))
    return _with_depth(metric, found, found.depth_mm(ends), shoot.disparity)


def _stated(shoot: _Shoot, capture: Capture) -> list[Observation]:
    said = []
    if capture.field_width_mm is not None:
        said.append(adjustment.stated("scale", capture.field_width_mm / shoot.width_px, _READ))
    if capture.base_mm is not None:
        said.append(adjustment.stated("base", capture.base_mm, _READ))
    if capture.step_mm is not None:
        said.append(adjustment.stated("step", capture.step_mm, _READ))
    return said


def _compared(
    shoot: _Shoot, said: list[Observation], capture: Capture
) -> tuple[dict[adjustment.Name, Length | None], list[Observation], bool]:
    """Base and step against all else that is known, what is left to believe, and whether one of two is off.

    The likelier culprit is tried first. Where only base over step is known, nothing tells which is wrong:
    then both are believed to no more than they differ.
    """
    stated_mm: dict[adjustment.Name, float | None] = {"base": capture.base_mm, "step": capture.step_mm}
    lengths = {name: _length(shoot, said, name, stated_mm[name])[0] for name in _MOVES}
    if capture.base_mm is None or capture.step_mm is None:
        order = _MOVES
    else:
        apart = max(_off(length) for length in lengths.values())
        suspicion = {name: _suspicion(shoot, said, name, stated_mm[name] or 0.0, apart) for name in _MOVES}
        order = tuple(sorted(_MOVES, key=lambda name: -suspicion[name]))
        unsure = set(suspicion.values()) == {_UNDECIDED}
        if unsure and all(length is not None and length.contradicted for length in lengths.values()):
            return _doubted(lengths, apart), _loosened(said, stated_mm, apart), True
    for name in order:
        lengths[name], said = _length(shoot, said, name, stated_mm[name])
    return lengths, said, False


def _off(length: Length | None) -> float:
    """How far (ln) a stated length is from what all else says."""
    if length is None or length.stated_mm is None or length.measured_mm is None:
        return 0.0
    return abs(math.log(length.measured_mm / length.stated_mm))


def _suspicion(
    shoot: _Shoot, said: list[Observation], name: adjustment.Name, stated_mm: float, apart: float
) -> int:
    """What is known without base and step says of one of them, if it may be off by `apart` (ln)."""
    rest = _adjusted(shoot, _without(said, _MOVES))[0].adjusted.named(name)
    if not rest.is_known:
        return _UNDECIDED
    if differs(rest, Estimate(stated_mm, _READ)):
        return _CONTRADICTED
    return _BORNE_OUT if 2 * math.hypot(rest.sigma, _READ) < apart else _UNDECIDED


def _doubted(
    lengths: dict[adjustment.Name, Length | None], apart: float
) -> dict[adjustment.Name, Length | None]:
    return {
        name: length and msgspec.structs.replace(length, error_mm=Estimate(length.used_mm, apart).error)
        for name, length in lengths.items()
    }


def _loosened(
    said: list[Observation], stated_mm: dict[adjustment.Name, float | None], apart: float
) -> list[Observation]:
    doubted = [adjustment.stated(name, value, apart) for name, value in stated_mm.items() if value]
    return [*_without(said, _MOVES), *doubted]


def _without(said: Sequence[Observation], names: Sequence[adjustment.Name]) -> list[Observation]:
    return [one for one in said if one.name not in {f"stated {name}" for name in names}]


def _length(
    shoot: _Shoot, said: list[Observation], name: adjustment.Name, stated_mm: float | None
) -> tuple[Length | None, list[Observation]]:
    """Compare a stated length with what everything else says; what is contradicted is not believed."""
    if stated_mm is None:
        return None, said
    others = _without(said, [name])
    rest = _adjusted(shoot, others)[0].adjusted.named(name)
    length = Length(used_mm=stated_mm, error_mm=Estimate(stated_mm, _READ).error, stated_mm=stated_mm)
    if not rest.is_known:
        return length, said
    wrong = differs(rest, Estimate(stated_mm, _READ))
    found = {"measured_mm": rest.value, "measured_error_mm": rest.error, "contradicted": wrong}
    return msgspec.structs.replace(length, **found), others if wrong else said


def _told(length: Length | None, found: Estimate) -> Length | None:
    """The length that is reckoned with."""
    if not found.is_known:
        return length
    if length is None:
        return Length(
            used_mm=found.value, error_mm=found.error, measured_mm=found.value, measured_error_mm=found.error
        )
    return msgspec.structs.replace(length, used_mm=found.value, error_mm=found.error)


def _adjusted(shoot: _Shoot, said: Sequence[Observation]) -> tuple[_Found, list[str]]:
    """Adjust all that is known; a focus ring's course is fitted anew once it is known how far away it was."""
    away: float | None = None
    for _ in range(_ROUNDS):
        course, observations = _observations(shoot, away)
        adjusted = adjust([*said, *observations])
        step, distance = adjusted.named("step"), adjusted.named("distance")
        if shoot.member.found.kind != "ring" or not (step.is_known and distance.is_known):
            break
        before, away = away, distance.value / step.value
        if before is not None and abs(away / before - 1) < _SETTLED:
            break
    focus_px = adjusted.of(0, 1, 0, -1).value if course is None else course.focus_px
    distance_mm = adjusted.named("distance").value
    if course is not None and shoot.member.found.kind == "ring":
        distance_mm = step.value / course.per_frame
    offset_px = 0.0 if course is None else course.offset_px
    rests = [one.name for one in (*said, *observations)]
    is_straight = course is not None and shoot.member.found.kind == "ring" and away is None
    return _Found(adjusted, offset_px, focus_px, distance_mm, is_straight), rests


def _with_recorded(
    shoot: _Shoot, said: list[Observation], found: _Found, rests: list[str]
) -> tuple[_Found, list[str]]:
    """Take the focus distances that the camera recorded, if nothing better tells the step of a focus ring."""
    if shoot.member.found.kind != "ring" or found.adjusted.named("step").is_known:
        return found, rests
    told = recorded_step([frame.focus_distance_mm for frame in shoot.member.station.frames])
    if told is None:
        return found, rests
    step_mm, error = told
    sigma = math.hypot(error, RECORDED_DISTANCE_ERROR.value)
    return _adjusted(shoot, [*said, adjustment.recorded(step_mm, sigma)])


def _observations(shoot: _Shoot, away: float | None) -> tuple[Course | None, list[Observation]]:
    """What the pictures and the camera say, without anything stated."""
    lens, member = shoot.lens, shoot.member
    course = None
    said = []
    if lens.pixel_um is not None and lens.focal_mm is not None:
        said.append(adjustment.from_lens(lens.focal_mm, lens.pixel_um, lens.focal_sigma))
    if member.found.kind == "rail":
        closeness, change, error = _rail(member)
        course = course_on_rail(shoot.disparity, shoot.frame, closeness)
        if change > 0 and error < adjustment.KNOWN_SIGMA * change:
            said.append(adjustment.from_rail(change, max(error / change, _LEAST)))
        if course is not None:
            said.append(adjustment.from_disparity(course.focus_px, max(course.sigma, _LEAST)))
    elif member.found.kind == "ring":
        reference = member.survey.used[member.reference]
        course = course_by_ring(shoot.disparity, shoot.frame, reference, away)
        if course is not None:
            slope = course.focus_px * course.per_frame
            least = _LEAST if away is not None else _STRAIGHT
            said.append(adjustment.from_course(slope, max(course.sigma, least)))
    return course, [*said, *_parallel(shoot, course, is_sure=away is not None or member.found.kind == "rail")]


def _rail(member: Member) -> tuple[NDArray[np.float64], float, float]:
    """Closeness of each frame's plane of focus; the usual step over its distance, and the error of that."""
    used = np.array(member.survey.used, np.float64)
    closeness = magnifications(member.survey.steps, "rail", member.reference)
    numbers = np.arange(used[-1] + 1)
    if len(used) < 2:
        return np.interp(numbers, used, closeness), 0.0, 0.0
    changes = np.abs(np.diff(1 / closeness)) / np.diff(used)
    return np.interp(numbers, used, closeness), float(np.median(changes)), error_of_scale(member.survey.steps)


def _parallel(shoot: _Shoot, course: Course | None, *, is_sure: bool) -> list[Observation]:
    """Two cameras that point the same way see base over mm/px as the disparity itself."""
    aside_px = _POINTS_ASIDE * shoot.width_px
    if course is not None:
        focus_px = course.offset_px + course.focus_px
        if is_sure and abs(course.offset_px) > 3 * math.hypot(aside_px, course.sigma * course.focus_px):
            return []
    else:
        known = shoot.disparity[np.isfinite(shoot.disparity)]
        focus_px = float(np.median(known)) if known.size else 0.0
    return (
        [adjustment.from_disparity(focus_px, aside_px / focus_px, "parallel")] if focus_px > aside_px else []
    )


def _with_sizes(metric: Metric, found: _Found, sizes: NDArray[np.float64]) -> Metric:
    """Size of a pixel at the window, the near and the far end: grows with distance."""
    scale = found.adjusted.named("scale")
    if not (scale.is_known and np.all(np.isfinite(sizes))):
        return metric
    window, near, far = (float(scale.value * size) for size in sizes)
    return msgspec.structs.replace(
        metric,
        window_mm_per_px=window,
        near_mm_per_px=near,
        far_mm_per_px=far,
        scale_error_share=2 * scale.sigma,
    )


def _with_depth(
    metric: Metric, found: _Found, planes: NDArray[np.float64], disparity: Plane
) -> tuple[Metric, Plane | None]:
    """Depth behind the window: of near and far, and of every pixel, if mm and px of depth are tied."""
    depth_of_px = found.adjusted.of(0, -1, 1, 1)
    if not (depth_of_px.is_known and np.all(np.isfinite(planes))):
        return metric, None
    near, far = (float(plane - planes[0]) for plane in planes[1:])
    metric = msgspec.structs.replace(
        metric,
        near_mm=near,
        far_mm=far,
        range_mm=far - near,
        range_error_mm=2 * depth_of_px.sigma * (far - near),
    )
    distance = found.adjusted.named("distance")
    if distance.is_known:
        # a straight course knows distances from its reference plane only; far away stands for unknown there
        window = distance.value + float(planes[0]) - found.distance_mm
        metric = msgspec.structs.replace(
            metric, distance_mm=window, distance_error_mm=2 * distance.sigma * window
        )
    return metric, np.asarray(found.depth_mm(disparity) - planes[0], np.float32)
