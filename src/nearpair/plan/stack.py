"""The stack of one station: step, number of frames, readings of the rail or distances to focus on.

A frame is added before the near end and after the far end, so that a depth measured a little short cuts
nothing off. All is counted from near to far: on a rail whose readings grow towards the subject, readings
grow too. Frames are later laid on the one that sees the smallest field: on a rail the last, where the camera
is nearest to the subject; with a ring the first, focused nearest.
"""

import math

from nearpair.errors import NearpairError
from nearpair.optics import stacking
from nearpair.optics.lens import entrance_pupil_distance_mm
from nearpair.plan.exposing import defocus_mm
from nearpair.plan.framing import CLOSE_UP, Framing
from nearpair.plan.model import Optics, Stack
from nearpair.plan.request import Kind, Rail, Request

LONG_STACK = 300
"""Frames at one station above which the plan says how to need fewer."""
_BEYOND = 1
"""Frames added at each end."""


def stacked(request: Request, framing: Framing, optics: Optics, extra: tuple[int, int] = (0, 0)) -> Stack:
    """Plan the stack. `extra`: more frames before the near end and after the far end.

    Raises NearpairError where the rail is too short, or the camera would run into the subject.
    """
    if optics.depth_of_field_mm >= framing.depth_mm and math.isfinite(framing.far_mm):
        return _single(framing)
    if _kind(request, framing) == "ring":
        return _by_ring(request, framing, optics, extra)
    return _on_rail(request, framing, optics, extra)


def _kind(request: Request, framing: Framing) -> Kind:
    if request.kind is not None:
        if request.kind == "rail" and math.isinf(framing.far_mm):
            raise NearpairError("No rail reaches infinity.", "Use --kind ring for distant subjects.")
        return request.kind
    close = framing.magnification >= CLOSE_UP and math.isfinite(framing.far_mm)
    return "rail" if close else "ring"


def _single(framing: Framing) -> Stack:
    return Stack(
        kind="single",
        frames=1,
        step_mm=None,
        overlap=0.0,
        travel_mm=0.0,
        positions_mm=[framing.distance_mm],
        reference_frame=0,
        near_mm=framing.near_mm,
        far_mm=_finite(framing.far_mm),
        subject_depth_mm=_finite(framing.depth_mm),
        clearance_mm=framing.near_mm,
    )


def _on_rail(request: Request, framing: Framing, optics: Optics, extra: tuple[int, int]) -> Stack:
    rail = request.rail
    step = _readable(stacking.step_mm(optics.depth_of_field_mm, request.overlap), rail.division_mm)
    between = stacking.frames_to_span(framing.depth_mm, step)
    near_frames, far_frames = _BEYOND + extra[0], _BEYOND + extra[1]
    frames = between + near_frames + far_frames
    travel = (frames - 1) * step
    # what the whole steps reach beyond the subject goes to both ends alike
    slack = ((between - 1) * step - framing.depth_mm) / 2
    far_mm = optics.distance_mm - slack - far_frames * step
    near_mm = far_mm - framing.depth_mm
    _check_rail(rail, travel, step, near_mm, optics)
    return Stack(
        kind="rail",
        frames=frames,
        step_mm=step,
        overlap=1 - step / optics.depth_of_field_mm,
        travel_mm=travel,
        positions_mm=[round(rail.start_mm + number * step, 6) for number in range(frames)],
        reference_frame=frames - 1,
        near_mm=near_mm,
        far_mm=far_mm,
        subject_depth_mm=framing.depth_mm,
        clearance_mm=near_mm,
    )


def _by_ring(request: Request, framing: Framing, optics: Optics, extra: tuple[int, int]) -> Stack:
    focal, pupil = optics.focal_mm, optics.pupil_ratio
    blur = defocus_mm(optics)
    ratio = stacking.ring_ratio(focal, optics.f_number, blur, request.overlap, pupil)
    reach = blur * optics.f_number / focal
    beyond = (_BEYOND + extra[0], _BEYOND + extra[1])
    limits = (framing.near_mm, framing.far_mm)
    sizes = stacking.ring_magnifications(*limits, focal, ratio, reach, pupil, beyond)
    distances = [entrance_pupil_distance_mm(focal, size, pupil) for size in sizes]
    middle = min(range(len(sizes) - 1), key=lambda k: abs(distances[k] - optics.distance_mm), default=0)
    return Stack(
        kind="ring",
        frames=len(sizes),
        step_mm=distances[middle + 1] - distances[middle] if len(sizes) > 1 else None,
        overlap=request.overlap,
        travel_mm=focal * (sizes[0] - sizes[-1]),
        positions_mm=list(distances),
        reference_frame=0,
        near_mm=framing.near_mm,
        far_mm=_finite(framing.far_mm),
        subject_depth_mm=_finite(framing.depth_mm),
        clearance_mm=framing.near_mm,
    )


def image_distance_mm(optics: Optics, stack: Stack) -> float:
    """Distance v at which a pinhole in the entrance pupil would draw the picture: m·u.

    A thing at distance Z from the pupil is drawn v/Z as large as it is, with m and u of the reference
    frame. For a symmetrical lens this is f·(1 + m). Elementary.
    """
    if stack.kind != "ring":
        return optics.magnification * optics.distance_mm
    nearest = stack.positions_mm[stack.reference_frame] or optics.distance_mm
    return stacking.magnification_of(optics.focal_mm, nearest, optics.pupil_ratio) * nearest


def _finite(length_mm: float) -> float | None:
    return length_mm if math.isfinite(length_mm) else None


def _readable(step: float, division_mm: float) -> float:
    """The largest whole number of the rail's divisions within the step."""
    divisions = math.floor(step / division_mm + 1e-9)
    if divisions < 1:
        raise NearpairError(
            f"The step would be {step * 1000:.3g} um, finer than the rail's division of "
            f"{division_mm * 1000:.3g} um.",
            f"Use a rail that can be set to {step * 1000:.2g} um and say so with --division "
            f"{step:.2g}, or a smaller aperture.",
        )
    return round(divisions * division_mm, 9)


def _check_rail(rail: Rail, travel: float, step: float, near_mm: float, optics: Optics) -> None:
    if near_mm <= 0:
        raise NearpairError(
            f"The camera would run into the subject: it has to come {travel:.4g} mm closer, and begins "
            f"{optics.distance_mm:.4g} mm from the nearest point.",
            f"Up to about {max(optics.distance_mm - 4 * step, 0) * 0.9:.3g} mm of depth work at this "
            "distance; or use a longer focal length, or less magnification.",
        )
    if rail.travel_mm is not None and rail.start_mm + travel > rail.travel_mm:
        free = rail.travel_mm - rail.start_mm
        raise NearpairError(
            f"The rail has to move {travel:.4g} mm from its reading {rail.start_mm:g}, and {free:.4g} mm "
            "are left.",
            f"Up to {max(free - 3 * step, 0):.3g} mm of depth fit; start at a smaller reading (--start), "
            "or turn the focus ring instead (--kind ring).",
        )
