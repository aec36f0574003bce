"""Rivalry and ghosting of a finished anaglyph, as seen through its glasses, in linear light.

What an eye sees of a colour is its luminance through that eye's filter, light that leaks through included
(row Y of `Glasses.display`; through ideal filters, each passing its channels alone, where that is not known).
Divided by what white gives that eye, this is the eye's relative brightness e: 1 for white in both eyes, equal
in both eyes for every grey, because the eyes adapt to their filters.

Rivalry. A matched point is in rivalry when one eye sees less than 1 - 0.60 of what the other eye sees:

    min(e_left, e_right) < 0.40 · max(e_left, e_right)       and max(e_left, e_right) >= 0.02

0.60: depth is kept up to luminance differences of 60 % between the eyes (Boydstun et al., from their
abstract; no single published threshold for rivalry was found). A point is saturated when one eye sees less
than a tenth of the other eye's brightness: the red or orange of red-cyan glasses. What is advised on are
patches: points in rivalry of whose neighbours, over 1.5 % of the longer side, seven in ten are as well.

Ghosting. Where parallax is zero the leaked picture lies on the eye's own one and nobody sees it; elsewhere it
is displaced. So what an eye sees is held against what it would see of the same anaglyph of the same pair
without parallax (index 0):

    contrast = |e - e_0| / e,       denominator at least 0.02.

It counts as visible above 0.05 (5 % crosstalk, F. L. Kooi and A. Toet, Displays 25
(2004), number from memory). Leaks of red-cyan glasses are those of the filters and display published by
Sanders and McAllister, "Producing anaglyphs from synthetic images" (2003): 19.45 % of green and blue into
the left eye, 5.84 % of red into the right eye. Other glasses, displays and prints differ; of the other kinds
only modelled filters are known here, whose small leaks are no measurement, so their ghosting is not known.
For glasses that were measured (`colour.calibration`) all follows from their file.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.colour.glasses import Glasses
from nearpair.colour.light import LUMINANCE_WEIGHTS, decode_srgb, encode_srgb
from nearpair.colour.match import Grid, Light, partners
from nearpair.colour.projection import leaks, white_luminance_ratio
from nearpair.colour.seen import brightness
from nearpair.proof.model_look import Ghosting, Rivalry

Plane = NDArray[np.float32]
Mixing = Callable[[NDArray[Any], NDArray[Any]], NDArray[Any]]
"""Makes the anaglyph of two pictures (H, W, 3), sRGB-encoded uint16."""

RIVALRY_THRESHOLD = 0.60
SATURATED_RATIO = 0.10
DARKEST_COMPARED = 0.02
VISIBLE_GHOST = 0.05
_PATCH_OF_WIDTH = 0.02
_PATCH_OF_LENGTH, _MOST = 0.015, 0.7


@dataclass(frozen=True, slots=True, eq=False)
class ThroughGlasses:
    """Relative brightness of matched points, each (n,), leaks included.

    A point lies at x in the left picture and at x + parallax in the right one. `left` and `right` are what
    each eye sees of it; `left_flat` and `right_flat` are what each would see of it, if the pair had no
    parallax.
    """

    left: Plane
    right: Plane
    left_flat: Plane
    right_flat: Plane


def eyes(glasses: Glasses) -> tuple[Plane, Plane]:
    """What R, G and B give of white's brightness before each eye: (3,) left, (3,) right."""
    if glasses.display is not None:
        left, right = brightness(glasses.display)
        return left.astype(np.float32), right.astype(np.float32)
    one, other = (np.zeros(3, np.float32) for _ in range(2))
    for share, channels in ((one, glasses.left_channels), (other, glasses.right_channels)):
        share[list(channels)] = [LUMINANCE_WEIGHTS[channel] for channel in channels]
    return one / one.sum(), other / other.sum()


def through(anaglyph: Light, on: Grid, glasses: Glasses, flat: Light | None = None) -> ThroughGlasses:
    """Look at the matched points of a block anaglyph (h, w, 3), in linear light, through the glasses.

    flat: the anaglyph of the left picture and the right one laid on it, so without parallax; by default each
    eye's channels are taken to come from its own picture alone.
    """
    known = np.isfinite(on.partner)
    left, right = eyes(glasses)
    if flat is None:
        theirs = list(glasses.right_channels)
        flat = anaglyph.copy()
        flat[..., theirs] = partners(anaglyph, on)[..., theirs]
    laid = flat[known]
    return ThroughGlasses(
        (anaglyph @ left)[known], partners(anaglyph @ right, on)[known], laid @ left, laid @ right
    )


def ghosts_of(left: Light, right: Light, on: Grid, glasses: Glasses, mix: Mixing) -> ThroughGlasses:
    """Look at the mixture of two block pictures (h, w, 3), linear light, and at the one without parallax."""
    laid = np.where(np.isfinite(on.partner)[..., None], partners(right, on), right)
    now, flat = mixed(left, right, mix), mixed(left, laid, mix)
    return through(now, on, glasses, flat)


def mixed(left: Light, right: Light, mix: Mixing) -> Light:
    """The anaglyph (h, w, 3) of two block pictures, all in linear light."""
    codes = (encode_srgb(light, np.dtype(np.uint16)) for light in (left, right))
    return decode_srgb(mix(*codes))


def rivalry(seen: ThroughGlasses, glasses: Glasses, on: Grid | None = None) -> Rivalry:
    """Brightness ratio between the eyes, the shares of matched points in rivalry and saturated, and patches.

    on: the grid of the points; without it patches are not told.
    """
    filter_ratio = _filter_ratio(glasses)
    compared = np.maximum(seen.left, seen.right) >= DARKEST_COMPARED
    bad, saturated = in_rivalry(seen)
    if not compared.any():
        return Rivalry(
            luminance_ratio=None,
            filter_ratio=filter_ratio,
            rivalry_share=None,
            saturated_share=None,
            threshold=RIVALRY_THRESHOLD,
        )
    patchy = None if on is None else in_patches(bad, on)
    ratio = np.median(seen.right[compared] / np.maximum(seen.left[compared], 1e-4))
    return Rivalry(
        luminance_ratio=float(ratio) * filter_ratio,
        filter_ratio=filter_ratio,
        rivalry_share=float(np.mean(bad)),
        saturated_share=float(np.mean(saturated)),
        patch_share=None if patchy is None else float(np.mean(patchy)),
        saturated_patch_share=None if patchy is None else float(np.mean(patchy & saturated)),
        threshold=RIVALRY_THRESHOLD,
    )


def in_rivalry(seen: ThroughGlasses) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which matched points (n,) are in rivalry, and which are saturated."""
    brighter, darker = np.maximum(seen.left, seen.right), np.minimum(seen.left, seen.right)
    compared = brighter >= DARKEST_COMPARED
    return (
        compared & (darker < (1 - RIVALRY_THRESHOLD) * brighter),
        compared & (darker < SATURATED_RATIO * brighter),
    )


def in_patches(bad: NDArray[np.bool_], on: Grid) -> NDArray[np.bool_]:
    """Which of the points in rivalry (n,) lie where most around them are as well: surfaces, not contours.

    Wrong matches and what leaks beside contours put single points and thin lines in rivalry.
    """
    known = np.isfinite(on.partner)
    side = max(3, round(_PATCH_OF_LENGTH * max(known.shape)))
    inside = np.zeros(known.shape, np.float32)
    inside[known] = bad
    around = cv2.blur(inside, (side, side)) / np.maximum(
        cv2.blur(known.astype(np.float32), (side, side)), 0.2
    )
    return np.asarray(bad & (around[known] > _MOST))


def remnants(seen: ThroughGlasses, glasses: Glasses) -> NDArray[np.bool_]:
    """Which matched points (n,) show an eye a remnant of the other's picture; none if leaks are unknown."""
    if _leaks(glasses) is None:
        return np.zeros(seen.left.shape, np.bool_)
    left, right = _contrasts(seen)
    return np.asarray((left > VISIBLE_GHOST) | (right > VISIBLE_GHOST))


def ghosting(seen: ThroughGlasses, glasses: Glasses) -> Ghosting:
    """Share of matched points with a visible ghost in each eye, and the 99th percentile of its contrast."""
    known = _leaks(glasses)
    if known is None or seen.left.size == 0:
        return Ghosting(known=False)
    left, right = _contrasts(seen)
    return Ghosting(
        known=True,
        left_leak=known[0],
        right_leak=known[1],
        left_share=float(np.mean(left > VISIBLE_GHOST)),
        right_share=float(np.mean(right > VISIBLE_GHOST)),
        worst_contrast=float(max(np.percentile(left, 99), np.percentile(right, 99))),
    )


def strongest_ghost(seen: ThroughGlasses, on: Grid, glasses: Glasses) -> tuple[int, int] | None:
    """Where the left eye sees most of the other's picture, over a patch of 2 % of the width: x, y in px."""
    at = np.isfinite(on.partner)
    if _leaks(glasses) is None or not at.any():
        return None
    contrast = np.zeros(at.shape, np.float32)
    contrast[at] = _contrasts(seen)[0]
    side = max(3, round(_PATCH_OF_WIDTH * at.shape[1]))
    patch = np.asarray(cv2.blur(contrast, (side, side)))
    patch[~at] = -1
    row, column = np.unravel_index(int(np.argmax(patch)), patch.shape)
    half = on.block_px // 2
    return int(column) * on.block_px + half, int(row) * on.block_px + half


def _leaks(glasses: Glasses) -> tuple[float, float] | None:
    if glasses.display is None or glasses.filters == "modelled":
        return None
    return leaks(glasses.display, glasses.left_channels, glasses.right_channels)


def _contrasts(seen: ThroughGlasses) -> tuple[Plane, Plane]:
    return ghost_contrast(seen.left, seen.left_flat), ghost_contrast(seen.right, seen.right_flat)


def ghost_contrast(seen: Plane, flat: Plane) -> Plane:
    """Contrast of the displaced remnant of the other eye's picture, (n,); see the module's formula."""
    return np.asarray(np.abs(seen - flat) / np.maximum(seen, DARKEST_COMPARED), dtype=np.float32)


def _filter_ratio(glasses: Glasses) -> float:
    """Brightness of white before the right eye over that before the left one."""
    if glasses.display is not None:
        return 1 / white_luminance_ratio(glasses.display)
    left, right = (
        sum(LUMINANCE_WEIGHTS[channel] for channel in channels)
        for channels in (glasses.left_channels, glasses.right_channels)
    )
    return right / left
