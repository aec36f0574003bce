"""Differences between the two views as they were shot, and what the stacks left unsharp.

Exposure: ratio of the mean linear luminance (Rec. ITU-R BT.709-6) of matched points, right over left; in
stops it is the base-2 logarithm (definition of the stop). White balance: the same ratio for red and blue,
each relative to green; the shift is the larger distance from 1. Points near black or white in either view
(below 0.002 or above 0.95 in any channel) are left out: clipped values say nothing about exposure.
"""

import math
from collections.abc import Sequence

import numpy as np

from nearpair.colour.light import luminance
from nearpair.proof.match import Light, Matched
from nearpair.proof.model import Capture, Station

_DARKEST, _BRIGHTEST = 0.002, 0.95
_FEWEST_POINTS = 50


def capture(points: Matched, stations: Sequence[Station]) -> Capture:
    """Exposure and colour differences over matched points; coverage of the stations of the pair."""
    usable = _unclipped(points.left) & _unclipped(points.right)
    ratio, shift = None, None
    if np.count_nonzero(usable) >= _FEWEST_POINTS:
        left, right = points.left[usable].astype(np.float64), points.right[usable].astype(np.float64)
        ratio = float(luminance(right).mean(dtype=np.float64) / luminance(left).mean(dtype=np.float64))
        shift = white_balance_shift(left.mean(axis=0), right.mean(axis=0))
    return Capture(
        exposure_ratio=ratio,
        exposure_stops=None if ratio is None else math.log2(ratio),
        white_balance_shift=shift,
        matched_share=points.share,
        covered_fraction=min((s.focus.covered_fraction for s in stations), default=None),
        unsharp_share=_unsharp_share(stations),
        gaps=sum(len(station.focus.gaps) for station in stations),
    )


def evened(left: Light, right: Light, exposure_ratio: float) -> tuple[Light, Light]:
    """Both pictures (h, w, 3), linear light, as bright as the darker one; the ratio is right over left."""
    return left * np.float32(min(1.0, exposure_ratio)), right * np.float32(min(1.0, 1 / exposure_ratio))


def white_balance_shift(left: np.ndarray, right: np.ndarray) -> float:
    """Larger of the changes of red/green and blue/green, right over left, of two mean colours (3,)."""
    change = right / left
    return float(max(abs(change[0] / change[1] - 1), abs(change[2] / change[1] - 1)))


def _unclipped(light: Light) -> np.ndarray:
    return np.asarray((light > _DARKEST).all(axis=1) & (light < _BRIGHTEST).all(axis=1))


def _unsharp_share(stations: Sequence[Station]) -> float | None:
    """Largest share of a view that is not sharp, over the stations of one frame."""
    shares = [s.depth_of_field.unsharp_fraction for s in stations if s.depth_of_field is not None]
    return max((share for share in shares if share is not None), default=None)
