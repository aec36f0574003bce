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
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

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
"""Share of the allowed parallax that is used: depths are sampled, and the window settles to 0.25 px."""
_WINDOW_STEPS = 12
_ROUNDS, _SETTLED_PX, _SAMPLES = 8, 0.25, 100_000
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
    crop_px: a crop set by hand (x, y, width, height), which goes before every rule for the crop.
    """

    size_px: tuple[int, int]
    left: Similarity
    right: Projective
    usable: tuple[Rectangle, Rectangle]
    disparity: Plane
    factor: int
    base_share: float = 1.0
    crop_px: tuple[int, int, int, int] | None = None

    def mount(
        self,
        window_px: float,
        aspect: float | None = None,
        point: tuple[float, float] | None = None,
        trim: tuple[float, float] = (0.0, 0.0),
    ) -> Mount:
        """Lay out the pair with its window at a disparity (px of the views); see `plan_mount`."""
        return plan_mount(
            self.size_px,
            self.right,
            window_px,
            point,
            self.usable,
            self.left,
            aspect=aspect,
            trim=trim,
            within=self.crop_px,
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
    placed = _by_rule(laid, window, aspect, allowed)
    if laid.crop_px is None:
        return placed
    whole = placed.mount.crop_px == laid.crop_px
    return replace(placed, crop_rule=f"set by hand{'' if whole else ', as far as both views have it'}")


def _by_rule(laid: Laid, window: Window, aspect: float | None, allowed: Allowed) -> Placed:
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

    def behind_small_parts(self) -> tuple[float, str]:
        """The window as far back as most things allow, and what is then said of it."""
        return self.small_parts, "nothing but small parts in front of it"

    def beyond_px(self, window_px: float, width_px: float, allowed: Allowed) -> float:
        """By how much near or far exceed what is allowed with this window; not above 0 if they do not."""
        return max(
            window_px - self.far - allowed.far * width_px, allowed.near * width_px - (window_px - self.near)
        )


def _depths(laid: Laid, mount: Mount) -> _Depths:
    """Depths in the crop of a mount; where almost nothing is known in it, those of the whole."""
    at_px = mount.window_disparity_px / laid.factor
    shown = at_px - _shown(laid, mount)
    every = max(1, math.isqrt(shown.size // _SAMPLES))
    seen = shown[::every, ::every]
    seen = seen[np.isfinite(seen)]
    if len(seen) < FEWEST_KNOWN:
        seen = laid.disparity[np.isfinite(laid.disparity)]
    wanted = [NEAR_PERCENTILE, FAR_PERCENTILE, 100 * (1 - _SMALL_PARTS), _FOREMOST_PERCENTILE]
    return _Depths(*(float(value) * laid.factor for value in np.percentile(seen, wanted)))


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


def _cuts_nothing(laid: Laid, mount: Mount) -> bool:
    """Whether neither side cuts anything, on the map and then, if so, on the sides as they will be mounted.

    A px of a reduced map is several of the pair: what stands a little into the frame can escape its strips.
    """
    if max(_cuts(laid, mount)) >= _CUT:
        return False
    return laid.factor == 1 or max(_mounted_cuts(laid, mount)) < _CUT


def _mounted_cuts(laid: Laid, mount: Mount) -> tuple[float, float]:
    """The same as `_cuts`, of the strips along the sides of the pair."""
    x, y, width, height = mount.crop_px
    band, limit = band_px(width), threshold_px(width) / laid.base_share
    shown = _shown(laid, mount)
    foremost_px = -float(np.nanmin(shown)) * laid.factor if np.isfinite(shown).any() else 0.0
    wide = min(width, band + math.ceil(max(0.0, foremost_px)) + 1)
    at_left = parallax_of(laid, replace(mount, crop_px=(x, y, wide, height)))
    at_right = parallax_of(laid, replace(mount, crop_px=(x + width - band, y, band, height)))
    left, right = along(left_strip(at_left, band)), along(at_right)
    return float(np.mean(left < -limit)), float(np.mean(right < -limit))


@dataclass(frozen=True, slots=True, eq=False)
class _Asked:
    """What a window is looked for."""

    laid: Laid
    aspect: float | None
    trim: tuple[float, float]
    allowed: Allowed

    def mount(self, window_px: float) -> Mount:
        """The mount with its window there; without the trim where that leaves too little."""
        trimmed = _fitting(self.laid, window_px, self.aspect, self.trim)
        return trimmed or self.laid.mount(window_px, self.aspect)


def _automatic(laid: Laid, aspect: float | None, allowed: Allowed) -> Placed:
    untrimmed = (0.0, 0.0)
    asked = _Asked(laid, aspect, untrimmed, allowed)
    start, start_rule = _settled(asked, _Depths.behind_small_parts)
    top, top_rule = _settled(asked, _Depths.on_foremost)
    beyond_px = max(0.0, _beyond_px(laid, laid.mount(start, aspect), allowed))
    for window_px in np.linspace(start, max(start, top), _WINDOW_STEPS if top > start else 1).tolist():
        mount = laid.mount(window_px, aspect)
        if _cuts_nothing(laid, mount) and _beyond_px(laid, mount, allowed) <= beyond_px:
            brought = "brought forward until no side cuts anything in front of it"
            rule = start_rule if window_px == start else brought
            return Placed(mount, f"automatic: {rule}", _crop_rule(aspect, untrimmed))
    forward = laid.mount(top, aspect)
    return _cropped(asked, forward) or Placed(
        forward,
        f"automatic: {top_rule}, yet a side cuts something in front of it",
        _crop_rule(aspect, untrimmed),
    )


def _cropped(asked: _Asked, forward: Mount) -> Placed | None:
    """The smallest crop of the sides that leaves nothing cut in front of the window, or None."""
    if asked.laid.crop_px is not None:
        return None
    for trim in _trims(_cuts(asked.laid, forward)):
        trimmed = replace(asked, trim=trim)
        window_px, rule = _settled(trimmed, _Depths.on_foremost)
        mount = _fitting(asked.laid, window_px, asked.aspect, trim)
        if mount is not None and _cuts_nothing(asked.laid, mount):
            return Placed(mount, f"automatic: {rule}", _crop_rule(asked.aspect, trim))
    return None


def _fitting(laid: Laid, window_px: float, aspect: float | None, trim: tuple[float, float]) -> Mount | None:
    try:
        return laid.mount(window_px, aspect, trim=trim)
    except PairError:
        return None


def _beyond_px(laid: Laid, mount: Mount, allowed: Allowed) -> float:
    """By how much (px) the depth in the crop of a mount exceeds what is allowed."""
    return _depths(laid, mount).beyond_px(mount.window_disparity_px, mount.crop_px[2], allowed)


def _settled(asked: _Asked, wanted: Callable[[_Depths], tuple[float, str]]) -> tuple[float, str]:
    """The window (px, why) nearest to the wanted one that keeps depth within what is allowed.

    The window decides what the crop shows, and that decides the window: until both agree. If they never do,
    as a thing comes into the crop and drops out of it by turns, a window in between.
    """
    laid = asked.laid
    known = laid.disparity[np.isfinite(laid.disparity)]
    if len(known) < FEWEST_KNOWN:
        raise no_depth()
    window_px = before = float(np.median(known)) * laid.factor
    for _ in range(_ROUNDS):
        mount = asked.mount(window_px)
        before = window_px
        window_px, rule = _range_kept(_depths(laid, mount), mount.crop_px[2], asked.allowed, wanted)
        if abs(window_px - before) < _SETTLED_PX:
            return window_px, rule
    lowest, highest = sorted((before, window_px))
    between = np.linspace(lowest, highest, _WINDOW_STEPS).tolist()
    beyond_px = [max(0.0, _beyond_px(laid, asked.mount(at), asked.allowed)) for at in between]
    at_px: float = between[int(np.argmin(beyond_px))]
    return at_px, "depth within what the viewing conditions allow, or nearly so"


def _range_kept(
    depths: _Depths, width_px: float, allowed: Allowed, wanted: Callable[[_Depths], tuple[float, str]]
) -> tuple[float, str]:
    """The window nearest to the wanted one (px, why) that keeps these depths within what is allowed."""
    wanted_px, rule = wanted(depths)
    width_px *= _OF_ALLOWED
    lowest, highest = depths.near + allowed.near * width_px, depths.far + allowed.far * width_px
    if lowest > highest:
        return (lowest + highest) / 2, "depth centred in what the viewing conditions allow"
    window_px = min(max(wanted_px, lowest), highest)
    return window_px, "as far forward as the viewing conditions allow" if window_px < wanted_px else rule


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
