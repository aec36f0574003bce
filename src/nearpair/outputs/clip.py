"""Pictures of a clip for a film or a talk: a pair on a 16:9 screen, and cards that tell viewers what to do.

Every card stands for a second or more, so that no change comes near three flashes in a second (WCAG 2.3.1).
Interleaved forms are not among the packings: video halves the resolution of colour, which mixes the eyes.
"""

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from nearpair.outputs.freeview import crossed, parallel
from nearpair.outputs.same import check_pair

View = NDArray[np.uint8]

SCREENS = {"1080p": (1080, 1920), "4k": (2160, 3840)}
"""(height, width) by name."""

_BEHIND = 24  # level of the bars beside a picture: nearly black
_CARD, _INK = (40, 40, 40), (205, 205, 205)
_TEXT_SHARE = 0.09


def fitted(view: View, size: tuple[int, int]) -> View:
    """The picture as large as it fits into (height, width), in the middle of nearly black bars."""
    height, width = size
    factor = min(height / view.shape[0], width / view.shape[1])
    inner = (min(width, round(view.shape[1] * factor)), min(height, round(view.shape[0] * factor)))
    method = cv2.INTER_AREA if factor < 1 else cv2.INTER_CUBIC
    scaled: Any = cv2.resize(view, inner, interpolation=method)
    out = np.full((height, width, 3), _BEHIND, np.uint8)
    y, x = (height - inner[1]) // 2, (width - inner[0]) // 2
    out[y : y + inner[1], x : x + inner[0]] = scaled
    return out


def _squeezed(view: View, screen: tuple[int, int], into: tuple[int, int]) -> View:
    scaled: Any = cv2.resize(fitted(view, screen), into[::-1], interpolation=cv2.INTER_AREA)
    return np.asarray(scaled, np.uint8)


def _side_by_side(left: View, right: View, screen: tuple[int, int]) -> View:
    half = (screen[0], screen[1] // 2)
    return np.concatenate([_squeezed(view, screen, half) for view in (left, right)], axis=1)


def _top_bottom(left: View, right: View, screen: tuple[int, int]) -> View:
    half = (screen[0] // 2, screen[1])
    return np.concatenate([_squeezed(view, screen, half) for view in (left, right)])


def _flat(left: View, right: View, screen: tuple[int, int]) -> View:
    del right
    return fitted(left, screen)


def _parallel(left: View, right: View, screen: tuple[int, int]) -> View:
    half = (screen[0], screen[1] // 2)
    return np.asarray(parallel(fitted(left, half), fitted(right, half)), np.uint8)


def _crossed(left: View, right: View, screen: tuple[int, int]) -> View:
    half = (screen[0], screen[1] // 2)
    return np.asarray(crossed(fitted(left, half), fitted(right, half)), np.uint8)


PACKINGS: dict[str, Callable[[View, View, tuple[int, int]], View]] = {
    "side-by-side": _side_by_side,
    "top-bottom": _top_bottom,
    "parallel": _parallel,
    "crossed": _crossed,
    "flat": _flat,
}
"""Ways to put a pair on a screen, by name; an anaglyph is mixed first, and is then flat."""


def on_screen(left: View, right: View, packing: str, screen: tuple[int, int]) -> View:
    """The pair (H, W, 3) on a screen (height, width), by a key of PACKINGS."""
    check_pair(left, right)
    return PACKINGS[packing](left, right, screen)


def card(text: str, screen: tuple[int, int]) -> View:
    """A screen with a few words in its middle, for both eyes alike."""
    image = Image.new("RGB", screen[::-1], _CARD)
    font = ImageFont.load_default(round(_TEXT_SHARE * screen[0]))
    ImageDraw.Draw(image).text((screen[1] / 2, screen[0] / 2), text, _INK, font, anchor="mm")
    return np.asarray(image, np.uint8)
