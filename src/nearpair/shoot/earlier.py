"""What an earlier shoot tells the next plan: its proof, its decisions, and a frame if one is still there."""

import contextlib
import math
from dataclasses import dataclass

from nearpair.errors import NearpairError
from nearpair.frames.metadata import FrameInfo, read_info
from nearpair.optics.metric import pixel_um, sensor_diagonal_mm
from nearpair.optics.viewing import Viewing
from nearpair.plan.request import Earlier, Kind
from nearpair.proof.model import Proof
from nearpair.proof.ranking import ENOUGH_SHARE, comfortable_range_arcmin
from nearpair.shoot.decisions import Capture, Decisions, load
from nearpair.shoot.finished import proof_of
from nearpair.shoot.folder import ShootFolder

_CERTAIN = 0.2
"""A measured length whose error is a larger share of it does not enter a plan."""


@dataclass(frozen=True, slots=True)
class Before:
    """An earlier shoot: what was measured, how it is looked at, and what is known of its camera."""

    measured: Earlier
    viewing: Viewing
    frame: FrameInfo | None
    focal_mm: float | None
    sensor_width_mm: float | None
    kind: Kind | None


def before(shoot: ShootFolder) -> Before:
    """Read an earlier shoot. Raises NearpairError if it has no proof, or its base is not known."""
    decisions = load(shoot.toml)
    proof = proof_of(shoot)
    frame = _frame(shoot, decisions, proof)
    seen = proof.comfort.viewing
    return Before(
        measured=_measured(shoot, proof, decisions.capture, frame),
        viewing=Viewing(seen.screen_width_mm, seen.distance_mm, seen.eyes_mm),
        frame=frame,
        focal_mm=decisions.capture.focal_mm,
        sensor_width_mm=decisions.capture.sensor_width_mm,
        kind=_kind(proof),
    )


def _kind(proof: Proof) -> Kind | None:
    """How focus was moved; None for single frames."""
    kind = next((s.kind for s in proof.stations if s.name == proof.eyes.left), None)
    return None if kind == "single" else kind


def _frame(shoot: ShootFolder, decisions: Decisions, proof: Proof) -> FrameInfo | None:
    """The header of a frame of that shoot; None where they have been moved since, or cannot be read."""
    names = [name for station in proof.stations for name in station.frames[:1]]
    for source in shoot.source_paths(decisions):
        for name in names:
            for path in (source / name, *sorted(source.glob(f"*/{name}"))):
                with contextlib.suppress(NearpairError, OSError):
                    return read_info(path)
    return None


def _measured(shoot: ShootFolder, proof: Proof, capture: Capture, frame: FrameInfo | None) -> Earlier:
    metric = proof.metric
    base = metric.base.used_mm if metric is not None and metric.base is not None else capture.base_mm
    if base is None:
        raise NearpairError(
            f"{shoot.root}: it is not known how far apart its stations were.",
            f"Say it once: nearpair proof {shoot.root} --base MM, then plan again.",
        )
    if proof.depth.deviation_px is None:
        raise NearpairError(f"{shoot.root}: its depth could not be measured.", "Plan without --like.")
    # the crop ends within the frame, so its right end is the least that the frame was wide
    width_px = max(frame.size_px) if frame else proof.mounting.crop_px[0] + proof.mounting.crop_px[2]
    used = {proof.eyes.left, proof.eyes.right}
    stacks = [station for station in proof.stations if station.name in used and station.kind != "single"]
    gaps = [gap for station in stacks for gap in station.focus.gaps]
    ends = [
        (station.focus.starts_sharp, station.focus.ends_sharp)
        if station.order == "near-to-far"
        else (station.focus.ends_sharp, station.focus.starts_sharp)
        for station in stacks
        if station.order != "unknown"
    ]
    return Earlier(
        name=shoot.root.name,
        base_mm=base,
        deviation_share=proof.depth.deviation_px / proof.mounting.base_share / width_px,
        magnification=_magnification(proof, capture, frame),
        depth_mm=_depth(proof),
        gaps=len(gaps),
        widest_gap_steps=max((gap.width_steps or 2.0 for gap in gaps), default=2.0),
        cut_near=any(near for near, _ in ends),
        cut_far=any(far for _, far in ends),
        range_arcmin=proof.depth.relief.range_arcmin,
        enough_arcmin=ENOUGH_SHARE * comfortable_range_arcmin(proof.comfort),
    )


def _depth(proof: Proof) -> float | None:
    found = proof.metric
    if found is None or found.range_mm is None or found.range_error_mm is None:
        return None
    return found.range_mm if found.range_error_mm <= _CERTAIN * found.range_mm else None


def _magnification(proof: Proof, capture: Capture, frame: FrameInfo | None) -> float | None:
    """Size of a pixel on the sensor over its size in the plane of focus.

    The reference frame of a rail stack is focused on the far end, that of a ring stack is scaled by little.
    """
    if frame is None:
        return None
    width_px = max(frame.size_px)
    if capture.sensor_width_mm is not None:
        pixel = pixel_um(capture.sensor_width_mm, width_px) / 1000
    elif frame.focal_length_mm and frame.focal_length_35mm:
        diagonal = sensor_diagonal_mm(frame.focal_length_mm, frame.focal_length_35mm)
        pixel = diagonal / math.hypot(*frame.size_px)
    else:
        return None
    if capture.field_width_mm is not None:
        return pixel * width_px / capture.field_width_mm
    found = proof.metric
    if found is None or found.near_mm_per_px is None or found.far_mm_per_px is None:
        return None
    if found.scale_error_share is None or found.scale_error_share > _CERTAIN:
        return None
    far, near = found.far_mm_per_px, found.near_mm_per_px
    ends = (far, far if _kind(proof) == "rail" else near)
    return 2 * pixel / sum(ends)
