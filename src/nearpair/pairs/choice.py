"""Which two of several stations make the pair."""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass

_THIRTIETH = 30.0
# Without metadata: a lens three picture widths long, typical of close-up work (common practice, no source).
_USUAL_FOCAL_WIDTHS = 3.0
_SAME_BASE = 0.12


@dataclass(frozen=True, slots=True)
class Choice:
    """Two stations by number, and the reason in a sentence."""

    first: int
    second: int
    reason: str


def usual_focal_px(width_px: int) -> float:
    """Focal length taken for pictures of this width where none is recorded."""
    return _USUAL_FOCAL_WIDTHS * width_px


def off_thirtieth(shift_px: float, focal_px: float) -> float:
    """|ln| of how far a base is from one thirtieth of the distance; inf without a shift of the picture."""
    return abs(math.log(abs(shift_px) * _THIRTIETH / focal_px)) if shift_px else math.inf


def choose(
    positions_px: Sequence[float], width_px: int, focal_px: float | None, must: int | None = None
) -> Choice:
    """Choose the pair whose base is nearest to one thirtieth of the distance.

    positions_px: sideways position of every station, as the shift of its picture (px); with parallel axes a
    shift of s px means base/distance = s / image distance. focal_px: focal length in px, None if unknown. Of
    equally wide bases the most central pair is taken; `must` names a station that has to be in it. Rule of
    one thirtieth: common practice; see `optics.base` for its sources and limits.
    """
    focal = focal_px or usual_focal_px(width_px)
    middle = (min(positions_px) + max(positions_px)) / 2
    ranked = []
    for i, j in itertools.combinations(range(len(positions_px)), 2):
        shift = abs(positions_px[i] - positions_px[j])
        if shift <= 0 or (must is not None and must not in (i, j)):
            continue
        off = off_thirtieth(shift, focal)
        centre = abs((positions_px[i] + positions_px[j]) / 2 - middle) / focal
        ranked.append((round(off / _SAME_BASE), centre, i, j, shift))
    if not ranked:
        first = must or 0
        return Choice(first, 1 if first == 0 else 0, "the stations show no sideways shift")
    _, _, i, j, shift = min(ranked)
    known = "" if focal_px else " (focal length not recorded; a usual close-up lens assumed)"
    return Choice(i, j, f"its base is about 1/{focal / shift:.0f} of the distance, nearest to 1/30{known}")
