"""What the viewer meets beyond near and far: how parallax is spread, crowded sides, how large things seem.

Scale. Lines of sight from a base b are looked at by eyes e apart, so the subject seems e/b times as large as
it is, like a model built by that factor; with a base wider than the eyes it seems small. Roundness is depth
as it is seen over depth as it was, each against width: 1 for things as round as they were, less for flat.

    roundness = (Z(far) - Z(near)) / range_mm / (mm on the screen for a mm of the subject),   Z = V·e/(e - p)

Elementary geometry (`optics.viewing`). With base b = e, seen in life size from where the camera stood, it
is 1.
"""

import math

import numpy as np
from numpy.typing import NDArray

from nearpair.optics.viewing import Viewing, perceived_distance_mm, px_to_arcmin, px_to_mm
from nearpair.pixels.sides import threshold_px
from nearpair.proof.model import Metric, Mounting
from nearpair.proof.model_look import Depth, Histogram, Seen

Plane = NDArray[np.float32]

_BINS_OVER_RANGE, _FINEST_ARCMIN = 40, 0.5
_SIDE_OF_WIDTH = 0.10
_AT_ONCE = 1 << 20


def seen(parallax: Plane, depth: Depth, viewing: Viewing, metric: Metric | None, mounting: Mounting) -> Seen:
    """Measure it for a parallax map (H, W) in px, left-eye coordinates, NaN unknown."""
    width = parallax.shape[1]
    base = None if metric is None or metric.base is None else metric.base.used_mm * mounting.base_share
    return Seen(
        histogram=histogram(parallax, viewing),
        crowded_share=crowded(parallax),
        crowded_left_share=crowded(parallax, ("left",)),
        crowded_right_share=crowded(parallax, ("right",)),
        seen_larger=None if base is None else viewing.eyes_mm / base,
        roundness=_roundness(depth, viewing, metric, width),
    )


def histogram(parallax: Plane, viewing: Viewing) -> Histogram | None:
    """Shares of the known pixels by parallax in arcmin, in even steps; None without any."""
    known = parallax[np.isfinite(parallax)]
    if not known.size:
        return None
    each_arcmin = px_to_arcmin(viewing, 1.0, parallax.shape[1])
    low, high = np.percentile(known, (0.2, 99.8), overwrite_input=True).astype(np.float64) * each_arcmin
    step = max(_FINEST_ARCMIN, float(high - low) / _BINS_OVER_RANGE)
    first, last = math.floor(low / step), math.ceil(high / step) + 1
    edges = np.arange(first, last + 1) * step
    counts = np.zeros(len(edges) - 1, np.int64)
    for start in range(0, known.size, _AT_ONCE):  # in double precision all of them would take much memory
        seen_arcmin = known[start : start + _AT_ONCE].astype(np.float64) * each_arcmin
        counts += np.histogram(np.clip(seen_arcmin, edges[0], edges[-1]), edges)[0]
    shares = [float(count) for count in counts / known.size]
    return Histogram(first_arcmin=float(edges[0]), step_arcmin=step, shares=shares)


def crowded(parallax: Plane, sides: tuple[str, ...] = ("left", "right")) -> float | None:
    """Share of the left and the right tenth of the picture that stands in front of the window."""
    width = parallax.shape[1]
    tenth = max(1, round(_SIDE_OF_WIDTH * width))
    parts = {"left": parallax[:, :tenth], "right": parallax[:, -tenth:]}
    known = np.concatenate([parts[side][np.isfinite(parts[side])] for side in sides])
    return float(np.mean(known < -threshold_px(width))) if known.size else None


def _roundness(depth: Depth, viewing: Viewing, metric: Metric | None, width_px: int) -> float | None:
    if metric is None or depth.near_px is None or depth.far_px is None:
        return None
    if not metric.range_mm or not metric.window_mm_per_px:
        return None
    ends_mm = (px_to_mm(viewing, px, width_px) for px in (depth.near_px, depth.far_px))
    near, far = (perceived_distance_mm(viewing, mm) for mm in ends_mm)
    enlarged = viewing.screen_width_mm / width_px / metric.window_mm_per_px
    return (far - near) / metric.range_mm / enlarged if math.isfinite(far) else None
