"""How deep a mounted pair is, and how much of that depth a viewer gets.

Near and far are the 1st and 99th percentile of the parallax over the pixels where it is known: single wrong
matches do not count. The deviation is their difference; about 1/30 of the picture's width is customary for a
full stereoscopic effect (common practice, no source).

The score of the relief says how much depth the viewer gets, from 0 (flat) to 100:

    score = 100 · r · (0.5 + 0.25 · t + 0.25 · j)

    r   min(1, range / 60 arcmin), range = far - near as the viewer meets it; 60 arcmin is the one-degree
        limit of comfort (Lambooij, IJsselsteijn and Heynderickx, Proc. SPIE 6490 (2007)) used up by the
        subject
    t   share of the picture with texture enough for the eyes to fuse on
    j   min(1, total length of depth jumps / height of the picture): things in front of other things. A
        smooth slope has none; a subject with one contour as high as the picture gets the full share

The weights are a choice of this project: parallax is what depth is made of, texture and layers are what
make it seen, so neither gives depth without range.
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.colour.match import grid
from nearpair.optics.viewing import Viewing, px_to_arcmin
from nearpair.pixels.luma import luma
from nearpair.proof.model_look import Depth, Relief

Plane = NDArray[np.float32]

ACUITY_ARCMIN = 40 / 60
"""A depth step that a normal pair of eyes sees for sure, 40 seconds of arc (clinical limit, from memory)."""
FULL_RANGE_ARCMIN = 60.0
LAYER_ARCMIN = 2.0
JUMP_ARCMIN, JUMP_OF_RANGE = 2.0, 0.10
TEXTURE_CONTRAST = 0.02
"""Standard deviation of the encoded luma (0..1) in a tile from which on the tile counts as textured."""

_TILE_PX, _TILES = 8, 180
_BLOCKS = 500  # longest side of the grid on which jumps are looked for
_LAG = 3  # blocks between the two compared parallaxes: matching smears a jump over a few pixels
_WIDEST_HOLE = 0.05  # of the width; half-occluded bands beside near things are narrower than that
_SHORTEST_JUMP = 0.03  # of the height


@dataclass(frozen=True, slots=True)
class _Jumps:
    number: int
    length_heights: float
    usual_arcmin: float | None = None


def depth(parallax: Plane, left: NDArray[Any], viewing: Viewing) -> Depth:
    """Depth of a mounted pair: parallax map (H, W) in px, NaN unknown, and the left picture (H, W, 3)."""
    known = parallax[np.isfinite(parallax)]
    if known.size == 0:
        return _unknown(left)
    near, far = (float(value) for value in np.percentile(known, (1, 99), overwrite_input=True))
    known_share = known.size / parallax.size
    del known  # as large as the map
    return Depth(
        near_px=near,
        far_px=far,
        deviation_px=far - near,
        deviation_fraction_of_width=(far - near) / parallax.shape[1],
        known_share=known_share,
        relief=relief(parallax, left, near, far, viewing),
    )


def _unknown(left: NDArray[Any]) -> Depth:
    nothing = Relief(
        score=None,
        range_arcmin=None,
        acuity_steps=None,
        jumps=0,
        jump_length_heights=0.0,
        layers=0.0,
        textured_share=textured_share(left),
    )
    return Depth(
        near_px=None,
        far_px=None,
        deviation_px=None,
        deviation_fraction_of_width=None,
        known_share=0.0,
        relief=nothing,
    )


def relief(parallax: Plane, left: NDArray[Any], near_px: float, far_px: float, viewing: Viewing) -> Relief:
    """Relief of a pair whose parallax is known somewhere; the module's docstring explains the score."""
    width = parallax.shape[1]
    on = grid(parallax, _BLOCKS)
    seen_arcmin = on.parallax * np.float32(on.block_px * px_to_arcmin(viewing, 1.0, width))
    range_arcmin = px_to_arcmin(viewing, far_px, width) - px_to_arcmin(viewing, near_px, width)
    jumps = depth_jumps(seen_arcmin, max(JUMP_ARCMIN, JUMP_OF_RANGE * range_arcmin))
    textured = textured_share(left)
    parts = 0.5 + 0.25 * textured + 0.25 * min(1.0, jumps.length_heights)
    return Relief(
        score=100 * min(1.0, range_arcmin / FULL_RANGE_ARCMIN) * parts,
        range_arcmin=range_arcmin,
        acuity_steps=range_arcmin / ACUITY_ARCMIN,
        jumps=jumps.number,
        jump_length_heights=jumps.length_heights,
        layers=_layers(seen_arcmin),
        textured_share=textured,
        jump_arcmin=jumps.usual_arcmin,
    )


def textured_share(picture: NDArray[Any]) -> float:
    """Share of tiles of an (H, W, 3) picture whose luma varies by at least 2 % of full scale.

    Tiles are 1/180 of the longer side and at least 8 px: the same picture in more pixels scores the same.
    """
    plane = luma(picture)
    side = max(_TILE_PX, round(max(plane.shape) / _TILES))
    tiles = (max(1, plane.shape[1] // side), max(1, plane.shape[0] // side))
    whole = plane[: tiles[1] * side, : tiles[0] * side]
    mean = cv2.resize(whole, tiles, interpolation=cv2.INTER_AREA)
    mean_square = cv2.resize(whole * whole, tiles, interpolation=cv2.INTER_AREA)
    variance = np.maximum(mean_square - mean * mean, 0)
    return float(np.mean(variance >= TEXTURE_CONTRAST**2))


def depth_jumps(seen_arcmin: Plane, limit_arcmin: float) -> _Jumps:
    """Jumps of at least `limit_arcmin` between blocks 3 apart: how many lines, and their length in heights.

    Half-occluded bands, unknown beside every near thing, are bridged by their left neighbour first.
    """
    filled = _bridge(seen_arcmin, max(1, round(_WIDEST_HOLE * seen_arcmin.shape[1])))
    flags = np.zeros(filled.shape, np.uint8)
    sizes = np.zeros(filled.shape, np.float32)
    for axis in (0, 1):
        ahead, behind = _apart(filled, axis)
        inner = [slice(None), slice(None)]
        inner[axis] = slice(1, 1 + ahead.shape[axis])
        apart = np.abs(ahead - behind)
        flags[tuple(inner)] |= apart >= limit_arcmin  # NaN compares as False
        sizes[tuple(inner)] = np.fmax(sizes[tuple(inner)], apart)
    _, labels, stats, _ = cv2.connectedComponentsWithStats(flags, connectivity=8)
    lines = stats[1:]
    extent = np.maximum(lines[:, cv2.CC_STAT_WIDTH], lines[:, cv2.CC_STAT_HEIGHT])
    chosen = extent >= max(_LAG, _SHORTEST_JUMP * filled.shape[0])
    area = float(lines[chosen][:, cv2.CC_STAT_AREA].sum())
    there = sizes[np.isin(labels, 1 + np.flatnonzero(chosen)) & (labels > 0)]
    usual = float(np.median(there)) if there.size else None
    return _Jumps(int(chosen.sum()), area / _LAG / filled.shape[0], usual)


def _apart(plane: Plane, axis: int) -> tuple[Plane, Plane]:
    """Give the plane against itself, `_LAG` blocks apart along `axis`."""
    if axis == 0:
        return plane[_LAG:], plane[:-_LAG]
    return plane[:, _LAG:], plane[:, :-_LAG]


def _bridge(plane: Plane, widest: int) -> Plane:
    """Fill unknown runs of up to `widest` blocks from their left neighbour."""
    columns = np.arange(plane.shape[1])
    last_known = np.maximum.accumulate(np.where(np.isfinite(plane), columns, -1), axis=1)
    near_enough = (last_known >= 0) & (columns - last_known <= widest)
    filled = np.take_along_axis(plane, np.maximum(last_known, 0), axis=1)
    return np.asarray(np.where(near_enough, filled, np.float32(np.nan)))


def _layers(seen_arcmin: Plane) -> float:
    """Effective number of depth layers: exp of the entropy of the parallax in bins of 2 arcmin."""
    known = seen_arcmin[np.isfinite(seen_arcmin)]
    if known.size == 0:
        return 0.0
    _, counts = np.unique(np.floor(known / LAYER_ARCMIN), return_counts=True)
    shares = counts / known.size
    return float(np.exp(-np.sum(shares * np.log(shares))))
