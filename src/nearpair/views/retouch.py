"""Putting a registered frame into an area of a view, without a seam.

A hard edge between two pictures shows, and so does a soft one where one of them is blurred: both are seen at
once. The textbook splits frame and view into bands of detail and cuts each band with a soft edge of its size
(multiresolution spline: Burt & Adelson, ACM Trans. Graphics 2(4), 1983). Here, in addition, the rim of the
area is a place where frame and view compete, as frames do in merging: band by band, by the fourth power of
their local amplitude, weighed by how deep inside the area they are. So the change from one to the other
runs where both are equally sharp, and a brush that reached beyond what the frame shows sharply takes no blur
in with it. What the brush's middle covers is the frame, without competition: that is what was asked for.

Only the difference of both is put in, so beyond the rim every byte stays.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.geometry.strokes import Box, Stroke, places_in
from nearpair.geometry.transforms import Similarity
from nearpair.pixels.luma import Pixels, Plane
from nearpair.views.merge import View

# Share of the brush's radius in which frame and view compete. Of ray-traced scenes with a wrong area of the
# brush's size, 0.3 and 0.5 were alike within 0.1 dB; less leaves a seam.
_RIM = 0.3
_FROM_FINER, _POOLED = 2.0, 7
# Energy (codes of 255, squared) below which neither is sharp: noise decides nothing.
_NOISE = 0.05
_MOST_LEVELS, _COARSEST_PX = 5, 8
# Pieces of so many px are worked on with so many of the coarsest samples around them.
_PIECE_PX, _FAR = 1024, 12
_LUMA = np.array([0.299, 0.587, 0.114], np.float32)
_SAME_FRAME, _MOSTLY = 0.5, 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Area:
    """A part of a view: in `box`, how deep inside each px is, 1 in the middle, 0 outside (h, w).

    radius_px: of the brush; brightness changes over about as much.
    """

    box: Box
    depth: Plane
    radius_px: float


@dataclass(frozen=True, slots=True, eq=False)
class Source:
    """A frame (H, W, 3), where it lies on the view, and how many times brighter it is than the view.

    number: what stands for it in the focus map.
    """

    rgb: Pixels
    to_view: Similarity
    brightness: float
    number: float


def area_of(stroke: Stroke, size_px: tuple[int, int]) -> Area | None:
    """The area that a stroke covers on a view (height, width); None if it lies outside."""
    box = stroke.box(size_px, room_px(stroke.radius_px))
    if box is None:
        return None
    depth = depth_at(stroke, places_in(box))
    return Area(box, depth, stroke.radius_px) if np.any(depth > 0) else None


def depth_at(stroke: Stroke, places_px: NDArray[np.float32]) -> Plane:
    """How deep inside a stroke places (h, w, 2) lie: 0 outside, 1 beyond its rim; 0 for NaN."""
    inwards = (stroke.radius_px - stroke.distance_px(places_px)) / np.float32(_RIM * stroke.radius_px)
    return _smooth(np.nan_to_num(inwards, nan=0.0))


def room_px(radius_px: float) -> int:
    """How far beyond a brush of this radius a view may change a little."""
    return 4 << _levels(radius_px)  # what splitting and putting together reach, each half


def put_in(view: View, area: Area, source: Source) -> View:
    """The view with the frame in an area; the focus map says so. The given view stays as it is.

    Works piece by piece, with so much around each that they join: memory does not grow with the area.
    """
    put = View(view.rgb.copy(), view.focus.copy())
    levels = _levels(area.radius_px)
    for piece in _pieces(area):
        _put_piece(view, put, piece, area, source, levels)
    return put


def around(area: Area, size_px: tuple[int, int]) -> Box:
    """The part of a view (height, width) that decides what an area will show: all that `put_in` needs."""
    cell = 1 << _MOST_LEVELS
    x, y, width, height = area.box
    return _around((x, y, width, height), (_FAR << _levels(area.radius_px)) + cell, cell, size_px)


def within(box: Box, area: Area, source: Source) -> tuple[Area, Source]:
    """The same area and frame in px of a part of the view. box: as `around` gives it, or several in one.

    Areas end where the part does.
    """
    x0, y0 = max(box[0], area.box[0]), max(box[1], area.box[1])
    x1 = min(box[0] + box[2], area.box[0] + area.box[2])
    y1 = min(box[1] + box[3], area.box[1] + area.box[3])
    there = (x0 - box[0], y0 - box[1], max(0, x1 - x0), max(0, y1 - y0))
    to_part = source.to_view.then(Similarity(shift_x_px=-box[0], shift_y_px=-box[1]))
    depth = _depth_in(area, (x0, y0, there[2], there[3]))
    return Area(there, depth, area.radius_px), replace(source, to_view=to_part)


def _pieces(area: Area) -> Iterator[Box]:
    """Boxes of the view that together hold all that is inside the area, and its room."""
    x, y, width, height = area.box
    for top in range(y, y + height, _PIECE_PX):
        for left in range(x, x + width, _PIECE_PX):
            box = left, top, min(_PIECE_PX, x + width - left), min(_PIECE_PX, y + height - top)
            reach = room_px(area.radius_px)
            if np.any(_depth_in(area, _grown(box, reach)) > 0):
                yield box


def _grown(box: Box, by: int) -> Box:
    return box[0] - by, box[1] - by, box[2] + 2 * by, box[3] + 2 * by


def _depth_in(area: Area, box: Box) -> Plane:
    """How deep inside the area the px of a box are, which may reach beyond it (h, w)."""
    depth = np.zeros((box[3], box[2]), np.float32)
    ax, ay, bx, by = area.box[0], area.box[1], box[0], box[1]
    height, width = area.depth.shape
    top, left = max(ay, by), max(ax, bx)
    bottom, right = min(ay + height, by + box[3]), min(ax + width, bx + box[2])
    if bottom > top and right > left:
        part = area.depth[top - ay : bottom - ay, left - ax : right - ax]
        depth[top - by : bottom - by, left - bx : right - bx] = part
    return depth


def _put_piece(view: View, put: View, piece: Box, area: Area, source: Source, levels: int) -> None:
    """Put the frame into a piece of `put`, as `view` was."""
    around = _around(piece, _FAR << levels, 1 << levels, view.focus.shape)
    here = slice(piece[1], piece[1] + piece[3]), slice(piece[0], piece[0] + piece[2])
    wide = slice(around[1], around[1] + around[3]), slice(around[0], around[0] + around[2])
    inner = (
        slice(piece[1] - around[1], piece[1] - around[1] + piece[3]),
        slice(piece[0] - around[0], piece[0] - around[0] + piece[2]),
    )
    white = np.float32(_white(view.rgb))
    frame, seen = _registered(source, around)
    inside = np.minimum(_depth_in(area, around), _far_from_unseen(seen, _RIM * area.radius_px))
    below = view.rgb[wide].astype(np.float32) * (255 / white)
    added = _blended(below, frame, inside, levels)
    codes = np.rint((below + added)[inner] * (white / 255))
    put.rgb[here] = np.clip(codes, 0, white).astype(view.rgb.dtype)
    known = view.focus[here]
    other = (inside[inner] >= _MOSTLY) & ~(np.abs(known - np.float32(source.number)) <= _SAME_FRAME)
    put.focus[here] = np.where(other, np.float32(source.number), known)


def _far_from_unseen(seen: NDArray[np.bool_], rim_px: float) -> Plane:
    """0 where a frame shows nothing, 1 farther than the rim from there: it must not end with an edge."""
    if seen.all():
        return np.ones(seen.shape, np.float32)
    away: Any = cv2.distanceTransform(seen.astype(np.uint8), cv2.DIST_L2, cv2.DIST_MASK_PRECISE)
    return _smooth(away / np.float32(rim_px))


def _smooth(share: Plane) -> Plane:
    """From 0 to 1 without a bend at either end (cubic Hermite step)."""
    clipped = np.clip(share, 0, 1)
    return np.asarray(clipped * clipped * (3 - 2 * clipped), np.float32)


def _around(piece: Box, far_px: int, cell_px: int, size_px: tuple[int, ...]) -> Box:
    """A piece with so much of the view around it, from a whole number of the coarsest samples on."""
    x0, y0 = (max(0, start - far_px) // cell_px * cell_px for start in piece[:2])
    x1 = min(size_px[1], piece[0] + piece[2] + far_px)
    y1 = min(size_px[0], piece[1] + piece[3] + far_px)
    return x0, y0, x1 - x0, y1 - y0


def _white(rgb: Pixels) -> int:
    return 255 if rgb.dtype == np.uint8 else 65535


def crop_of(source: Source, box: Box) -> tuple[Pixels, NDArray[np.bool_]]:
    """What a frame shows in a box of the view, in its own dtype, and where it shows anything (h, w)."""
    frame, seen = _registered(source, box)
    white = _white(source.rgb)
    codes = np.clip(np.rint(frame * np.float32(white / 255)), 0, white)
    shown: Any = codes.astype(source.rgb.dtype)
    return shown, seen


def _levels(radius_px: float) -> int:
    """Bands to split: the coarsest has samples of about an eighth of the brush."""
    levels = 1
    while levels < _MOST_LEVELS and (8 << levels) <= radius_px:
        levels += 1
    return levels


def _registered(source: Source, box: Box) -> tuple[Plane, NDArray[np.bool_]]:
    """A frame as it lies in a box of the view (h, w, 3), in codes of 255, and where it shows anything."""
    x, y, width, height = box
    placed = source.to_view.then(Similarity(shift_x_px=-x, shift_y_px=-y)).matrix()
    part, placed = _needed(source.rgb, placed, (height, width))
    scale = np.float32(255 / source.brightness / _white(source.rgb))
    moved = cv2.warpAffine(
        part.astype(np.float32) * scale,
        placed,
        (width, height),
        flags=cv2.INTER_LANCZOS4,
        borderMode=cv2.BORDER_REPLICATE,
    )
    inverse = source.to_view.inverse().matrix()
    places = places_in(box) @ inverse[:, :2].T.astype(np.float32) + inverse[:, 2].astype(np.float32)
    rows, columns = source.rgb.shape[:2]
    seen = (places >= 0).all(axis=2) & (places[..., 0] <= columns - 1) & (places[..., 1] <= rows - 1)
    return np.asarray(moved, np.float32), seen


def _needed(
    rgb: Pixels, placed: NDArray[np.float64], size: tuple[int, int]
) -> tuple[Pixels, NDArray[np.float64]]:
    """The part of a frame that shows in a picture of `size` (h, w), and where that part lies."""
    back = np.asarray(cv2.invertAffineTransform(placed))
    corners = np.array([[0, 0], [size[1], 0], [0, size[0]], [size[1], size[0]]], np.float64)
    at = corners @ back[:, :2].T + back[:, 2]
    low, high = np.floor(at.min(axis=0)).astype(int) - 8, np.ceil(at.max(axis=0)).astype(int) + 9
    rows, columns = rgb.shape[:2]
    x0, y0 = min(max(low[0], 0), columns - 1), min(max(low[1], 0), rows - 1)
    x1, y1 = max(min(high[0], columns), x0 + 1), max(min(high[1], rows), y0 + 1)
    shifted = placed.copy()
    shifted[:, 2] += placed[:, :2] @ np.array([x0, y0], np.float64)
    return rgb[y0:y1, x0:x1], shifted


def _blended(below: Plane, frame: Plane, depth: Plane, levels: int) -> Plane:
    """What has to be added to `below` (h, w, 3) so that the area shows the frame."""
    while levels > 1 and min(depth.shape) >> levels < _COARSEST_PX:
        levels -= 1
    one, two, inside = [below], [frame], [depth]
    for _ in range(levels):
        for pyramid in (one, two, inside):
            pyramid.append(_f32(cv2.pyrDown(pyramid[-1])))
    heard: list[Plane] = []
    bands: list[Plane] = []
    for level in range(levels):
        split = [each[level] - _up(each[level + 1], each[level]) for each in (one, two)]
        heard = [_energy(band, heard[k : k + 1]) for k, band in enumerate(split)]
        bands.append((split[1] - split[0]) * _share(inside[level], *heard)[..., None])
    passed = [_f32(cv2.pyrDown(energy)) for energy in heard]
    added = (two[-1] - one[-1]) * _share(inside[-1], *passed)[..., None]
    for band in reversed(bands):
        added = band + _up(added, band)
    return added


def _share(inside: Plane, below: Plane, frame: Plane) -> Plane:
    """The frame's share of a band, from the energies of both there: all of it where `inside` is 1."""
    weight = inside * (frame + np.float32(_NOISE)) ** 2
    against = (1 - inside) * (below + np.float32(_NOISE)) ** 2
    return np.asarray(weight / np.maximum(weight + against, np.float32(1e-12)), np.float32)


def _energy(band: Plane, finer: Sequence[Plane]) -> Plane:
    """Pooled energy of a band's luma (h, w), with that of the next finer band, if there is one."""
    found = _f32(cv2.blur((band @ _LUMA) ** 2, (_POOLED, _POOLED)))
    for energy in finer:
        found = found + np.float32(_FROM_FINER) * _f32(cv2.pyrDown(energy))
    return found


def _up(coarse: Plane, like: Plane) -> Plane:
    return _f32(cv2.pyrUp(coarse, dstsize=(like.shape[1], like.shape[0])))


def _f32(plane: Any) -> Plane:
    return np.asarray(plane, np.float32)
