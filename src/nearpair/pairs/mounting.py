"""Mounting: the right view laid on the rows of the left one, the window placed, both cropped alike.

The left view is only cropped, at whole pixels (and turned, if the stereo base slopes against the rows); the
right view is turned, scaled, raised, freed of keystone and shifted in one resampling. Parallax of the mounted
pair is w − disparity, w being the disparity of the window: zero at the window, negative in front of it.
"""

import math
from dataclasses import dataclass
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.errors import PairError
from nearpair.geometry.projective import Projective
from nearpair.geometry.transforms import Similarity
from nearpair.pixels.luma import Pixels, Plane
from nearpair.pixels.moved import moved

Window = Literal["auto", "near", "far"] | tuple[float, float]
Rectangle = tuple[float, float, float, float]
"""x0, y0, x1, y1 in px, ends included."""
AS_IT_IS = Similarity()

NEAR_PERCENTILE, FAR_PERCENTILE = 99.0, 1.0
FEWEST_KNOWN = 50
_AROUND_PX = (5, 15, 40)
_SMALLEST_PX = 32


@dataclass(frozen=True, slots=True)
class Mount:
    """Where everything goes, in px of the full views."""

    right_transform: Projective
    """Right view px → px of the left view, as it lies, with the window at zero parallax."""
    window_disparity_px: float
    window_point_px: tuple[float, float] | None
    """A point of the left view that lies at the window; None when none was asked for or known."""
    crop_px: tuple[int, int, int, int]
    """x, y, width, height in the left view, as it lies."""
    left_transform: Similarity = AS_IT_IS
    """Left view px → where it lies: the same place, unless the base slopes."""


def window_disparity(disparity: Plane, window: Literal["near", "far"] | tuple[float, float]) -> float:
    """Disparity (px of the map) of the stereo window, by a stated rule or at a point.

    disparity: (h, w) map of the left view, NaN where unknown. "near" puts the 99th percentile of the
    disparities at the window, so that all lies behind it; "far" the 1st, so that all lies in front. Raises
    PairError without depth.
    """
    if isinstance(window, tuple):
        return _at_point(disparity, window)
    known = disparity[np.isfinite(disparity)]
    if len(known) < FEWEST_KNOWN:
        raise no_depth()
    return float(np.percentile(known, NEAR_PERCENTILE if window == "near" else FAR_PERCENTILE))


def no_depth() -> PairError:
    """Views without common texture."""
    message = "The two views share too little texture to tell their depth, so the window cannot be placed."
    return PairError(message, "Check that both stations show the same subject, sharp somewhere.")


def _at_point(disparity: Plane, point: tuple[float, float]) -> float:
    height, width = disparity.shape
    x, y = round(point[0]), round(point[1])
    if not (0 <= x < width and 0 <= y < height):
        message = f"The window point ({point[0]:g}, {point[1]:g}) lies outside the left view."
        raise PairError(message, "Give a point inside it, in px from its top left corner.")
    for reach in _AROUND_PX:
        near = disparity[max(0, y - reach) : y + reach + 1, max(0, x - reach) : x + reach + 1]
        near = near[np.isfinite(near)]
        if len(near) >= 5:
            return float(np.median(near))
    message = f"No depth could be measured around the window point ({point[0]:g}, {point[1]:g})."
    raise PairError(message, "Choose a point on a textured part of the subject that both eyes see.")


def plan_mount(
    size_px: tuple[int, int],
    rows: Projective | Similarity,
    window_px: float,
    window_point_px: tuple[float, float] | None,
    usable: tuple[Rectangle, Rectangle],
    left: Similarity = AS_IT_IS,
    *,
    aspect: float | None = None,
    trim: tuple[float, float] = (0.0, 0.0),
    within: tuple[int, int, int, int] | None = None,
) -> Mount:
    """Lay out the pair: `rows` maps the right view on the left one's rows (full px), see `rectify`.

    left: how the left view is turned, if it is; `rows` leads to the turned view. aspect: width over height of
    the crop, None as the frames. trim: shares of the common width to leave out on the left and on the right.

    within: a crop set by hand (x, y, width, height in the left view as it lies): it is taken as far as both
    views have it, in its own shape.

    usable: for each view the rectangle (x0, y0, x1, y1) that its frames really cover. The crop is the largest
    rectangle of the frames' aspect ratio that both views have. Raises PairError when they share too little.
    """
    whole = Projective.like(rows) if isinstance(rows, Similarity) else rows
    right = whole.then(Similarity(shift_x_px=window_px))
    x_min, y_min, x_max, y_max = _common(_inside(left, usable[0]), _inside(right, usable[1]))
    if within is not None:
        return Mount(right, window_px, window_point_px, _by_hand(within, (x_min, y_min, x_max, y_max)), left)
    common = x_max - x_min
    x_min, x_max = x_min + trim[0] * common, x_max - trim[1] * common
    x0, y0 = math.ceil(x_min), math.ceil(y_min)
    width, height = math.floor(x_max) - x0 + 1, math.floor(y_max) - y0 + 1
    if width < _SMALLEST_PX or height < _SMALLEST_PX:
        message = "The two views have almost nothing in common at this window."
        raise PairError(message, "Use a smaller stereo base, or place the window on another point.")
    keep = None if window_point_px is None else _moved_point(left, window_point_px)
    crop = _with_aspect((x0, y0, width, height), aspect or size_px[1] / size_px[0], keep)
    if min(crop[2:]) < _SMALLEST_PX:
        message = f"A crop {aspect:g} times as wide as high would be less than {_SMALLEST_PX} px."
        raise PairError(message, "Choose an aspect ratio nearer to the frames' own.")
    return Mount(right, window_px, window_point_px, crop, left)


def _by_hand(crop: tuple[int, int, int, int], shared: Rectangle) -> tuple[int, int, int, int]:
    """What of a crop both views have. Raises PairError if that is too little."""
    x0, y0 = max(crop[0], math.ceil(shared[0])), max(crop[1], math.ceil(shared[1]))
    x1 = min(crop[0] + crop[2], math.floor(shared[2]) + 1)
    y1 = min(crop[1] + crop[3], math.floor(shared[3]) + 1)
    if x1 - x0 < _SMALLEST_PX or y1 - y0 < _SMALLEST_PX:
        message = f"Both views show less than {_SMALLEST_PX} px of the crop that was set by hand."
        raise PairError(message, "Set it anew, or to auto.")
    return x0, y0, x1 - x0, y1 - y0


def _moved_point(transform: Similarity, point: tuple[float, float]) -> tuple[float, float]:
    x, y = transform.apply(np.array(point, dtype=np.float64))
    return float(x), float(y)


def _inside(transform: Projective | Similarity, rectangle: Rectangle) -> Rectangle:
    """An upright rectangle inside the moved one (exact for no roll, safe for small rolls)."""
    x0, y0, x1, y1 = rectangle
    corners = transform.apply(np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], dtype=np.float64))
    left, right = max(corners[0, 0], corners[3, 0]), min(corners[1, 0], corners[2, 0])
    top, bottom = max(corners[0, 1], corners[1, 1]), min(corners[2, 1], corners[3, 1])
    return float(left), float(top), float(right), float(bottom)


def _common(a: Rectangle, b: Rectangle) -> Rectangle:
    return max(a[0], b[0]), max(a[1], b[1]), min(a[2], b[2]), min(a[3], b[3])


def _with_aspect(
    crop: tuple[int, int, int, int], aspect: float, keep: tuple[float, float] | None
) -> tuple[int, int, int, int]:
    """Shrink to the aspect ratio (width over height), centred, but holding the point `keep`."""
    x, y, width, height = crop
    new_width, new_height = min(width, round(height * aspect)), min(height, round(width / aspect))
    if width / height > aspect:
        new_height = height
    else:
        new_width = width
    return (
        _placed(x, width, new_width, keep[0] if keep else None),
        _placed(y, height, new_height, keep[1] if keep else None),
        new_width,
        new_height,
    )


def _placed(start: int, length: int, new: int, keep: float | None) -> int:
    spare = length - new
    at = start + spare // 2
    if keep is not None and not at <= keep <= at + new - 1:
        at = round(keep - new / 2)
    return int(min(max(at, start), start + spare))


def mounted(left: Pixels, right: Pixels, mount: Mount) -> tuple[Pixels, Pixels]:
    """The mounted pair (H, W, 3) in the dtype of the views."""
    x, y, width, height = mount.crop_px
    if mount.left_transform == AS_IT_IS:
        cut: Pixels = left[y : y + height, x : x + width].copy()
    else:
        cut = _laid(left, Projective.like(mount.left_transform), mount.crop_px)
    return cut, _laid(right, mount.right_transform, mount.crop_px)


def _laid(view: Pixels, transform: Projective, crop_px: tuple[int, int, int, int]) -> Pixels:
    x, y, width, height = crop_px
    placed = transform.then(Similarity(shift_x_px=-x, shift_y_px=-y)).matrix()
    laid: Pixels = moved(view, placed, (height, width), cv2.INTER_LANCZOS4, cv2.BORDER_REFLECT_101)
    return laid


def mounted_parallax(disparity: Plane, factor: int, mount: Mount) -> Plane:
    """Parallax (H, W) of the mounted pair from a disparity map of the left view reduced by `factor`.

    The map's disparities are px of the reduced view, before the window was placed.
    """
    x, y, width, height = mount.crop_px
    parallax = (mount.window_disparity_px - disparity * factor).astype(np.float32)
    if factor == 1:
        return np.ascontiguousarray(parallax[y : y + height, x : x + width])
    # mounted px → px of the map, pixel centres on integers
    scale = 1.0 / factor
    to_map = np.array(
        [[scale, 0, (x + 0.5) * scale - 0.5], [0, scale, (y + 0.5) * scale - 0.5]], dtype=np.float64
    )

    def sampled(flags: int) -> Plane:
        return np.asarray(
            cv2.warpAffine(
                parallax,
                to_map,
                (width, height),
                flags=flags | cv2.WARP_INVERSE_MAP,
                borderMode=cv2.BORDER_CONSTANT,
                borderValue=float("nan"),
            )
        )

    smooth, nearest = sampled(cv2.INTER_LINEAR), sampled(cv2.INTER_NEAREST)
    # linear inside a surface; at a jump in depth, or beside a hole, the nearest value and no in-between
    torn = ~np.isfinite(smooth) | (np.abs(smooth - nearest) > factor)
    return np.asarray(np.where(torn, nearest, smooth), np.float32)


def covered(placed: NDArray[np.float64], size_px: tuple[int, int]) -> tuple[float, float, float, float]:
    """The rectangle (x0, y0, x1, y1) of the reference frame that every frame of a stack covers.

    placed: (frames, 2, 3) maps of frame px to reference px.
    """
    height, width = size_px
    corners = np.array([[0, 0], [width - 1, 0], [width - 1, height - 1], [0, height - 1]], dtype=np.float64)
    at = corners @ placed[:, :, :2].transpose(0, 2, 1) + placed[:, None, :, 2]
    left = max(float(np.max(at[:, [0, 3], 0])), 0.0)
    right = min(float(np.min(at[:, [1, 2], 0])), width - 1.0)
    top = max(float(np.max(at[:, [0, 1], 1])), 0.0)
    bottom = min(float(np.min(at[:, [2, 3], 1])), height - 1.0)
    return left, top, right, bottom
