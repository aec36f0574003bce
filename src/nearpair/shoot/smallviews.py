"""What is known of one station before it is merged: its small all-in-focus view, and what its stack says."""

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.frames.metadata import FrameInfo
from nearpair.pairs.evidence import SmallView
from nearpair.pairs.eyes import StackEvidence
from nearpair.pixels.luma import Plane, reduced
from nearpair.shoot.decisions import Decisions
from nearpair.shoot.surveying import survey_factor
from nearpair.stacks.grouping import Station
from nearpair.stacks.registration import placed, reference_end
from nearpair.stacks.survey import Survey

EVIDENCE_LONG_SIDE_PX = 800


def reference_of(survey: Survey) -> int:
    """The end of a stack that sees the smaller field, among its used frames."""
    return reference_end(survey.steps) if survey.steps else 0


def small_view(
    survey: Survey, size_px: tuple[int, int], long_side_px: int = EVIDENCE_LONG_SIDE_PX
) -> SmallView:
    """The survey's picture at the reference end, at most so large, of frames of `size_px` (height, width)."""
    size = (survey.sharp.shape[0], survey.sharp.shape[1])
    to_end = placed(survey.steps, "ring", reference_of(survey), size)[0]
    factor = max(1, -(-max(size) // long_side_px))
    full_px = float(factor * survey_factor(size_px))
    sharp = _warp(survey.sharp, to_end.matrix(), cv2.INTER_CUBIC, cv2.BORDER_REPLICATE)
    if len(survey.used) < 2:
        return SmallView(reduced(sharp, factor), None, 1, full_px)
    shrink = survey.index.shape[0] / survey.sharp.shape[0]
    index = _warp(survey.index, to_end.resampled(shrink).matrix(), cv2.INTER_NEAREST, cv2.BORDER_CONSTANT)
    return SmallView(reduced(sharp, factor), index, len(survey.used), full_px)


def _warp(plane: Plane, matrix: NDArray[np.float64], flags: int, border: int) -> Plane:
    size = (plane.shape[1], plane.shape[0])
    return np.asarray(
        cv2.warpAffine(plane, matrix, size, flags=flags, borderMode=border, borderValue=-1), np.float32
    )


def focal_px(frame: FrameInfo, width: int) -> float | None:
    """Focal length in px of a picture `width` px wide, from the 35 mm equivalent (36 mm wide frame)."""
    return None if not frame.focal_length_35mm else frame.focal_length_35mm / 36.0 * width


def stack_evidence(station: Station, survey: Survey, decisions: Decisions) -> StackEvidence:
    """What the stack says by itself of its order, and what was decided about it."""
    own = next((s for s in decisions.stations if s.name == station.name), None)
    return StackEvidence(
        station.name,
        len(survey.used),
        -sum(step.ln_scale for step in survey.steps),
        survey.dilation.log_odds_rail if survey.dilation else 0.0,
        _distance_trend([station.frames[k] for k in survey.used]),
        own.order if own and own.order != "auto" else None,
        own.kind if own and own.kind != "auto" else None,
    )


def _distance_trend(frames: Sequence[FrameInfo]) -> float:
    """How surely recorded focus distances grow (1) or shrink (−1) along the stack; 0: they do not say."""
    known = [(k, f.focus_distance_mm) for k, f in enumerate(frames) if f.focus_distance_mm]
    if len(known) < 3 or len(known) < len(frames) // 2:
        return 0.0
    at, distance = np.array(known, dtype=np.float64).T
    return 0.0 if np.ptp(distance) == 0 else -float(np.corrcoef(at, 1 / distance)[0, 1])
