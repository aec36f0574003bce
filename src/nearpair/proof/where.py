"""A small picture of where for each finding that has a place: the left view in dim grey, marked.

Two marks are used, yellow and light blue, which people with colour vision deficiencies tell apart and which
stand out from grey. Areas are tinted and outlined, so that they can be found in a print without colours too.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.colour.glasses import Glasses
from nearpair.colour.match import Grid, block_light, grid
from nearpair.pixels.luma import luma
from nearpair.pixels.sides import band_px, threshold_px
from nearpair.proof.model import Proof
from nearpair.proof.onesided import Highlights, highlights
from nearpair.proof.pictures import Picture, thumbnail
from nearpair.proof.rivalry import Mixing, ghosts_of, in_patches, in_rivalry, remnants, through
from nearpair.proof.sharpness import sharpness

Mask = NDArray[np.bool_]

YELLOW, BLUE = (255, 214, 0), (86, 180, 233)
_LONGEST_PX = 700
_BLOCKS = 350
_BITS = 1.0
_SHIFT_PX = 1.0


@dataclass(frozen=True, slots=True)
class Marked:
    """A picture of where, (h, w, 3), and what its marks mean, in words."""

    picture: Picture
    caption: str


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """What the places are found on: as in `assemble.Inputs`."""

    left: NDArray[Any]
    right: NDArray[Any]
    anaglyph: NDArray[Any]
    parallax: NDArray[np.float32]
    glasses: Glasses
    mix: Mixing | None = None


def where(pair: Pair, proof: Proof) -> dict[str, Marked]:
    """Pictures by the code of the finding they belong to."""
    codes = {finding.code for finding in proof.advice}
    return {code: _MARKERS[code](pair, proof) for code in _MARKERS if code in codes}


def _ground(pair: Pair) -> Picture:
    grey = luma(thumbnail(pair.left, _LONGEST_PX))
    dim = np.asarray(np.clip(255 * (0.15 + 0.5 * grey), 0, 255), np.uint8)
    return np.repeat(dim[..., None], 3, axis=2)


def _marked(ground: Picture, *areas: tuple[NDArray[Any], tuple[int, int, int]]) -> Picture:
    out = ground.astype(np.float32)
    for area, colour in areas:
        full = cv2.resize(area.astype(np.uint8), ground.shape[1::-1], interpolation=cv2.INTER_NEAREST)
        out[full > 0] = 0.45 * out[full > 0] + 0.55 * np.array(colour, np.float32)
        rim = cv2.morphologyEx(full, cv2.MORPH_GRADIENT, np.ones((3, 3), np.uint8)) > 0
        out[rim] = colour
    return np.asarray(np.rint(out), np.uint8)


def _blocks(pair: Pair) -> Grid:
    return grid(pair.parallax, _BLOCKS)


def _spread(values: NDArray[Any], on: Grid) -> Mask:
    """Put values of the matched points back into their places."""
    out = np.zeros(on.parallax.shape, np.bool_)
    out[np.isfinite(on.partner)] = values
    return out


def _rivalry(pair: Pair, _: Proof) -> Marked:
    on = _blocks(pair)
    bad, saturated = in_rivalry(through(block_light(pair.anaglyph, on), on, pair.glasses))
    bad = in_patches(bad, on)
    picture = _marked(_ground(pair), (_spread(bad, on), YELLOW), (_spread(bad & saturated, on), BLUE))
    return Marked(
        picture, "Yellow: the eyes differ too much through the glasses. Blue: all but black for one eye."
    )


def _ghosts(pair: Pair, _: Proof) -> Marked:
    on = _blocks(pair)
    if pair.mix is None:
        looked_at = through(block_light(pair.anaglyph, on), on, pair.glasses)
    else:
        views = block_light(pair.left, on), block_light(pair.right, on)
        looked_at = ghosts_of(*views, on, pair.glasses, pair.mix)
    seen = remnants(looked_at, pair.glasses)
    picture = _marked(_ground(pair), (_spread(seen, on), YELLOW))
    return Marked(picture, "Yellow: a remnant of the other eye's picture will be seen here.")


def _highlights(pair: Pair, _: Proof) -> Marked:
    on = _blocks(pair)
    found: Highlights = highlights(block_light(pair.left, on), block_light(pair.right, on), on)
    picture = _marked(_ground(pair), (found.left_only, YELLOW), (found.right_only, BLUE))
    return Marked(picture, "Yellow: bright for the left eye only. Blue: for the right eye only.")


def _too_deep(pair: Pair, proof: Proof) -> Marked:
    limit, width = proof.comfort.limits["one-degree"], pair.parallax.shape[1]
    mm = pair.parallax * np.float32(proof.comfort.viewing.screen_width_mm / width)
    near = mm < (-np.inf if limit.near_mm is None else limit.near_mm)
    far = mm > (np.inf if limit.far_mm is None else limit.far_mm)
    picture = _marked(_ground(pair), (_small(near), YELLOW), (_small(far), BLUE))
    return Marked(picture, "Yellow: too far in front. Blue: too far behind.")


def _small(mask: Mask) -> Mask:
    step = max(1, max(mask.shape) // _LONGEST_PX)
    return mask[::step, ::step]


def _shifts(pair: Pair, proof: Proof) -> Marked:
    found = proof.local_shifts
    ground = _ground(pair)
    if found is None:
        return Marked(ground, "")
    shape = (found.rows, found.columns)
    down, aside = (
        np.array([np.nan if v is None else v for v in values]).reshape(shape)
        for values in (found.height_px, found.aside_px)
    )
    picture = _marked(ground, (np.abs(np.nan_to_num(down)) > _SHIFT_PX, YELLOW))
    if found.box_px is not None:
        _box(picture, found.box_px, pair)
    most = float(np.nanmax(np.hypot(np.nan_to_num(down), np.nan_to_num(aside))))
    told = f"Yellow: heights differ by more than {_SHIFT_PX:g} px; the most anywhere is {most:.1f} px."
    return Marked(picture, told + (" Frame: the part that moved." if found.box_px else ""))


def _box(picture: Picture, box_px: tuple[int, int, int, int], pair: Pair) -> None:
    scale = picture.shape[1] / pair.left.shape[1]
    x, y, width, height = (round(value * scale) for value in box_px)
    cv2.rectangle(picture, (x, y), (x + width, y + height), BLUE, 2)


def _dust(pair: Pair, proof: Proof) -> Marked:
    picture = _ground(pair)
    scale = picture.shape[1] / pair.left.shape[1]
    x, y = proof.mounting.crop_px[:2]
    at = [(round(scale * (column - x)), round(scale * (row - y))) for column, row in proof.dust_px]
    for place in at:
        cv2.circle(picture, place, 12, YELLOW, 2, cv2.LINE_AA)
    height, width = picture.shape[:2]
    outside = sum(not (0 <= across < width and 0 <= down < height) for across, down in at)
    told = "Yellow: where specks lie in the left eye's reference frame."
    return Marked(picture, told + (f" {outside} more outside the picture." if outside else ""))


def _sharper(pair: Pair, _: Proof) -> Marked:
    bits = np.nan_to_num(sharpness(pair.left, pair.right, pair.parallax).ratio)
    picture = _marked(_ground(pair), (bits < -_BITS, YELLOW), (bits > _BITS, BLUE))
    return Marked(picture, "Yellow: less sharp for the right eye. Blue: less sharp for the left eye.")


def _cut(side: str) -> Callable[[Pair, Proof], Marked]:
    def marker(pair: Pair, proof: Proof) -> Marked:
        height, width = pair.parallax.shape
        found = getattr(proof.edges, side)
        mask = np.zeros((height, width), np.bool_)
        if found.place is not None:
            band, along = 2 * band_px(width), slice(found.place[0], found.place[1] + 1)
            across = slice(None, band) if side in ("left", "top") else slice(-band, None)
            mask[(along, across) if side in ("left", "right") else (across, along)] = True
        picture = _marked(_ground(pair), (_small(mask), YELLOW))
        return Marked(picture, f"Yellow: cut by the {side} edge.")

    return marker


def _crowded(side: str) -> Callable[[Pair, Proof], Marked]:
    def marker(pair: Pair, _: Proof) -> Marked:
        width = pair.parallax.shape[1]
        tenth = slice(None, width // 10) if side == "left" else slice(width - width // 10, None)
        mask = np.zeros(pair.parallax.shape, np.bool_)
        mask[:, tenth] = pair.parallax[:, tenth] < -threshold_px(width)
        picture = _marked(_ground(pair), (_small(mask), YELLOW))
        return Marked(picture, f"Yellow: in front of the window, close to the {side} edge.")

    return marker


_MARKERS: dict[str, Callable[[Pair, Proof], Marked]] = {
    "red-rivalry": _rivalry,
    "colour-rivalry": _rivalry,
    "ghosting": _ghosts,
    "highlights-one-eye": _highlights,
    "too-deep-for-screen": _too_deep,
    "vertical-residual": _shifts,
    "subject-moved": _shifts,
    "sensor-dust": _dust,
    "stacks-cover-differently": _sharper,
    **{f"window-cut-{side}": _cut(side) for side in ("left", "right", "top", "bottom")},
    **{f"crowded-{side}": _crowded(side) for side in ("left", "right")},
}
