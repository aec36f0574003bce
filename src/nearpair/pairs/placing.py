"""Placing the window and the crop of a pair, by a point, by a rule, or so that nothing disturbs.

By itself ("auto"), in this order of importance:

1. Depth within the viewing conditions; where it is deeper than they allow, its middle comes to the middle of
   what they allow.
2. Nothing in front of the window is cut by the left or right side of the frame: the window comes forward as
   far as 1 allows; if that is not enough, the sides are cropped, by as little as helps.
3. Nothing but small parts stand in front of the window.

What still is cut at a side is a matter for a floating window: there one eye's picture is masked, which brings
that side of the frame forward (common practice, no source).
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearpair.errors import PairError
from nearpair.geometry.projective import Projective
from nearpair.geometry.transforms import Similarity
from nearpair.optics.viewing import Viewing, divergence_limits, one_degree_limits
from nearpair.pairs.mounting import (
    FAR_PERCENTILE,
    FEWEST_KNOWN,
    NEAR_PERCENTILE,
    Mount,
    Rectangle,
    Window,
    mounted_parallax,
    no_depth,
    plan_mount,
    window_disparity,
)
from nearpair.pixels.luma import Plane
from nearpair.pixels.sides import along, band_px, left_strip, right_strip, threshold_px

_SMALL_PARTS = 0.05
"""Share of the picture that may stand in front of the window."""
_FOREMOST_PERCENTILE = 99.9
_OF_ALLOWED = 0.95
"""Share of the allowed parallax that is used: the finished crop has not quite the depths of the whole."""
_WINDOW_STEPS = 12
_TRIM_STEP, _TRIM_STEPS, _MOST_TRIM = 0.01, 12, 0.16
"""Sides are cropped in steps of 1 % of the width, by at most 12 % each and 16 % together."""
_CUT = 0.005
"""Share of a side's length that may be cut when the window is placed; the proof notes 1 %."""
_FLOATS_FROM, _FLOATS_AT_MOST = 0.01, 0.04
"""A side floats if 1 % of its length is cut, by at most 4 % of the width."""


@dataclass(frozen=True, slots=True)
class Allowed:
    """Parallax that the viewing conditions allow, as shares of the picture's width: near < 0 < far."""

    near: float
    far: float

    def before(self, base_share: float) -> "Allowed":
        """What may be the parallax of the views as shot, if they will be seen from a share of their base."""
        return Allowed(self.near / base_share, self.far / base_share)


def allowed_for(viewing: Viewing) -> Allowed:
    """Parallax within one degree and without divergence."""
    degree, divergence = one_degree_limits(viewing), divergence_limits(viewing)
    far_mm = min(degree.far_mm, divergence.far_mm)
    return Allowed(degree.near_mm / viewing.screen_width_mm, far_mm / viewing.screen_width_mm)


@dataclass(frozen=True, slots=True, eq=False)
class Laid:
    """Two views laid on common rows, and their depth.

    left, right: from px of the views to where they lie, before the window is placed; usable: what the frames
    of each cover. disparity: map of the left view as it lies, reduced by `factor`, in px of the map.
    base_share: share of the stereo base that the pair will have; all else here is of the views as shot.
    """

    size_px: tuple[int, int]
    left: Similarity
    right: Projective
    usable: tuple[Rectangle, Rectangle]
    disparity: Plane
    factor: int
    base_share: float = 1.0

    def mount(
        self,
        window_px: float,
        aspect: float | None = None,
        point: tuple[float, float] | None = None,
        trim: tuple[float, float] = (0.0, 0.0),
    ) -> Mount:
        """Lay out the pair with its window at a disparity (px of the views); see `plan_mount`."""
        return plan_mount(
            self.size_px, self.right, window_px, point, self.usable, self.left, aspect=aspect, trim=trim
        )


@dataclass(frozen=True, slots=True)
class Placed:
    """A mount, and by which rules its window and crop were found, in words."""

    mount: Mount
    window_rule: str
    crop_rule: str


def place(laid: Laid, window: Window, aspect: float | None, allowed: Allowed) -> Placed:
    """Place window and crop. aspect: width over height, None as the frames. Raises PairError if it cannot.

    allowed: of the pair as it will be seen. Window and crop are those of the views as shot, from a share of
    their base as well: outside the part that both share nothing tells the depth.
    """
    if window == "auto":
        return _automatic(laid, aspect, allowed.before(laid.base_share))
    point = window if isinstance(window, tuple) else None
    asked = window if point is None else _on_map(laid, point)
    at_px = window_disparity(laid.disparity, asked) * laid.factor
    rule = {"near": "on the nearest thing", "far": "on the farthest thing"}
    said = rule[window] if isinstance(window, str) else f"on the thing at {window[0]:g},{window[1]:g}"
    return Placed(laid.mount(at_px, aspect, point), said, _crop_rule(aspect, (0.0, 0.0)))


def _on_map(laid: Laid, point: tuple[float, float]) -> tuple[float, float]:
    """Where a point of the left view lies on the disparity map."""
    x, y = (laid.left.apply(np.array(point, dtype=np.float64)) + 0.5) / laid.factor - 0.5
    return float(x), float(y)


@dataclass(frozen=True, slots=True)
class _Depths:
    """Disparities in px of the views."""

    near: float
    far: float
    small_parts: float
    foremost: float

    def on_foremost(self) -> tuple[float, str]:
        """The window on the foremost thing, and what is then said of it."""
        return self.foremost, "on the foremost thing"


def _depths(laid: Laid, aspect: float | None, window_px: float | None = None) -> _Depths:
    """Depths in the crop that a window gives; without one, in that of a window in the middle of the depth."""
    known = laid.disparity[np.isfinite(laid.disparity)]
    if len(known) < FEWEST_KNOWN:
        raise no_depth()
    at_px = float(np.median(known)) * laid.factor if window_px is None else window_px
    shown = at_px / laid.factor - _shown(laid, laid.mount(at_px, aspect))
    seen = shown[np.isfinite(shown)]
    wanted = [NEAR_PERCENTILE, FAR_PERCENTILE, 100 * (1 - _SMALL_PARTS), _FOREMOST_PERCENTILE]
    found = np.percentile(seen if len(seen) >= FEWEST_KNOWN else known, wanted)
    return _Depths(*(float(value) * laid.factor for value in found))


def _shown(laid: Laid, mount: Mount) -> Plane:
    """Parallax inside the crop, of the reduced map and in its px."""
    x, y, width, height = mount.crop_px
    rows = slice(y // laid.factor, max(y // laid.factor + 1, (y + height) // laid.factor))
    columns = slice(x // laid.factor, max(x // laid.factor + 1, (x + width) // laid.factor))
    return np.asarray(mount.window_disparity_px / laid.factor - laid.disparity[rows, columns], np.float32)


def _cuts(laid: Laid, mount: Mount) -> tuple[float, float]:
    """Share of the left and of the right side at which something in front of the window is cut."""
    shown = _shown(laid, mount)
    limit = threshold_px(mount.crop_px[2]) / laid.factor / laid.base_share
    band = band_px(shown.shape[1])
    left, right = along(left_strip(shown, band)), along(right_strip(shown, band))
    return float(np.mean(left < -limit)), float(np.mean(right < -limit))


def _whole(cuts: tuple[float, float]) -> bool:
    return max(cuts) < _CUT


def _automatic(laid: Laid, aspect: float | None, allowed: Allowed) -> Placed:
    depths = _depths(laid, aspect)
    small = depths.small_parts, "nothing but small parts in front of it"
    start, start_rule = _range_kept(laid, aspect, (0.0, 0.0), depths, allowed, small)
    # once more for what that window's own crop shows
    depths = _depths(laid, aspect, start)
    small = depths.small_parts, small[1]
    start, start_rule = _range_kept(laid, aspect, (0.0, 0.0), depths, allowed, small)
    top, top_rule = _range_kept(laid, aspect, (0.0, 0.0), depths, allowed, depths.on_foremost())
    for window_px in np.linspace(start, max(start, top), _WINDOW_STEPS if top > start else 1).tolist():
        mount = laid.mount(window_px, aspect)
        if _whole(_cuts(laid, mount)):
            brought = "brought forward until no side cuts anything in front of it"
            rule = start_rule if window_px == start else brought
            return Placed(mount, f"automatic: {rule}", _crop_rule(aspect, (0.0, 0.0)))
    forward = laid.mount(max(start, top), aspect)
    return _cropped(laid, aspect, depths, allowed, forward) or Placed(
        forward,
        f"automatic: {top_rule}, yet a side cuts something in front of it",
        _crop_rule(aspect, (0.0, 0.0)),
    )


def _cropped(
    laid: Laid, aspect: float | None, depths: _Depths, allowed: Allowed, forward: Mount
) -> Placed | None:
    """The smallest crop of the sides that leaves nothing cut in front of the window, or None."""
    for trim in _trims(_cuts(laid, forward)):
        window_px, rule = _range_kept(laid, aspect, trim, depths, allowed, depths.on_foremost())
        mount = _fitting(laid, window_px, aspect, trim)
        if mount is not None and _whole(_cuts(laid, mount)):
            return Placed(mount, f"automatic: {rule}", _crop_rule(aspect, trim))
    return None


def _fitting(laid: Laid, window_px: float, aspect: float | None, trim: tuple[float, float]) -> Mount | None:
    try:
        return laid.mount(window_px, aspect, trim=trim)
    except PairError:
        return None


def _range_kept(
    laid: Laid,
    aspect: float | None,
    trim: tuple[float, float],
    depths: _Depths,
    allowed: Allowed,
    wanted: tuple[float, str],
) -> tuple[float, str]:
    """The window nearest to the wanted one (px, why) that keeps depth within what is allowed, and why."""
    wanted_px, rule = wanted
    window_px = wanted_px
    for _ in range(3):
        # the allowed parallax is a share of the picture's width, which depends on the window a little
        mount = _fitting(laid, window_px, aspect, trim)
        width: float = mount.crop_px[2] if mount is not None else laid.size_px[1]
        width *= _OF_ALLOWED
        lowest, highest = depths.near + allowed.near * width, depths.far + allowed.far * width
        if lowest > highest:
            window_px, rule = (lowest + highest) / 2, "depth centred in what the viewing conditions allow"
        else:
            window_px = min(max(wanted_px, lowest), highest)
            if window_px < wanted_px:
                rule = "as far forward as the viewing conditions allow"
    return window_px, rule


def _trims(cuts: tuple[float, float]) -> Iterator[tuple[float, float]]:
    """Shares of the width to crop at the sides that cut something, the smallest first."""
    steps = [
        (left, right)
        for left in range(_TRIM_STEPS + 1 if cuts[0] >= _CUT else 1)
        for right in range(_TRIM_STEPS + 1 if cuts[1] >= _CUT else 1)
        if 0 < (left + right) * _TRIM_STEP <= _MOST_TRIM
    ]
    for left, right in sorted(steps, key=lambda step: (step[0] + step[1], abs(step[0] - step[1]))):
        yield left * _TRIM_STEP, right * _TRIM_STEP


def _crop_rule(aspect: float | None, trim: tuple[float, float]) -> str:
    shape = "in the frames' shape" if aspect is None else f"{aspect:.4g} times as wide as high"
    named = zip(("left", "right"), trim, strict=True)
    sides = [f"{100 * share:.0f} % off the {side}" for side, share in named if share]
    cropped = f", {' and '.join(sides)} so that nothing in front of the window is cut" if sides else ""
    return f"the largest part that both views have, {shape}{cropped}"


def floating_sides(parallax: Plane) -> tuple[int, int]:
    """By how much (px) the left and the right side must float forward for the parallax map (H, W) of a mount.

    0 where nothing in front of the window is cut, or what is cut stands too far in front for floating.
    """
    width = parallax.shape[1]
    limit, band = threshold_px(width), band_px(width)
    sides = []
    for strip in (left_strip(parallax, band), right_strip(parallax, band)):
        depth = along(strip)
        cut = depth < -limit
        needed = math.ceil(-float(depth.min())) if np.mean(cut) >= _FLOATS_FROM else 0
        sides.append(needed if needed <= _FLOATS_AT_MOST * width else 0)
    return sides[0], sides[1]


def parallax_of(laid: Laid, mount: Mount) -> NDArray[np.float32]:
    """Parallax (H, W) of the mounted pair."""
    return mounted_parallax(laid.disparity, laid.factor, mount)
