"""Anaglyphs: both pictures of a pair in one, told apart by coloured glasses.

Four methods are linear in light: the three channels of the anaglyph are a (3, 6) matrix times
(R, G, B of the left picture, R, G, B of the right picture), all in linear light; the result is clipped to
[0, 1] and encoded again. The last two look for the closest colour, see `outputs.closest`.

- colour: each eye's filter channels straight from its own picture. Full colour, most rivalry.
- half-colour: the eye whose filter passes one channel sees its picture in grey (luminance, Rec. ITU-R
  BT.709-6); the other eye sees its channels. Less rivalry, softer reds.
- grey: both eyes see luminance. No rivalry of colour at all.
- least-squares: the mixture that comes closest, in CIE XYZ through the glasses, to the pair without glasses
  (E. Dubois, "A projection method to generate anaglyph stereo images", ICASSP 2001).
- local-desaturation: as colour, but colours that both eyes could not agree on are made paler
  (`outputs.desaturation`). Our own.
- cielab: what each eye sees comes closest to its own picture, in L*a*b* (D. McAllister, Y. Zhou and S.
  Sullivan, "Methods for computing color anaglyphs", 2010).
- matched: the fused colour comes closest to the pair's, as far as both eyes can still see it equally bright;
  light that leaks through the filters is taken back where there is room. Our own.

The first three are common practice, no source. The picture is worked on in strips, so that memory beyond the
result stays bounded, and the bytes do not depend on the number of threads.
"""

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.colour.glasses import Glasses
from nearpair.colour.light import LUMINANCE_WEIGHTS, decode_srgb, encode_srgb
from nearpair.errors import NearpairError
from nearpair.outputs.closest import Light, Mix, Picture, cielab, matched
from nearpair.outputs.desaturation import local_desaturation
from nearpair.outputs.same import check_pair
from nearpair.progress import Counted, Progress, silent

Matrix = NDArray[np.float64]

_STRIP_PX = 1 << 18  # pixels of a strip: about 10 MB of temporary arrays a thread


def _mixture(glasses: Glasses, left_grey: bool, right_grey: bool) -> Matrix:
    """Each channel from the eye whose filter passes it: that channel itself, or the eye's luminance."""
    matrix = np.zeros((3, 6))
    for first, channels, grey in (
        (0, glasses.left_channels, left_grey),
        (3, glasses.right_channels, right_grey),
    ):
        for channel in channels:
            matrix[channel, first : first + 3] = LUMINANCE_WEIGHTS if grey else np.eye(3)[channel]
    return matrix


def colour(glasses: Glasses) -> Matrix:
    """Matrix (3, 6), linear light: each eye's channels straight from its own picture."""
    return _mixture(glasses, left_grey=False, right_grey=False)


def half_colour(glasses: Glasses) -> Matrix:
    """Matrix (3, 6), linear light: grey for the eye with the narrower filter (or the left one)."""
    left_narrower = len(glasses.left_channels) <= len(glasses.right_channels)
    return _mixture(glasses, left_grey=left_narrower, right_grey=not left_narrower)


def grey(glasses: Glasses) -> Matrix:
    """Matrix (3, 6), linear light: luminance for both eyes."""
    return _mixture(glasses, left_grey=True, right_grey=True)


def least_squares(glasses: Glasses) -> Matrix:
    """Matrix (3, 6), linear light: the published matrix for these glasses; NearpairError if there is none."""
    if glasses.least_squares is None:
        raise NearpairError(
            f"method least-squares needs a published matrix, and {glasses.name} glasses have none.",
            "Choose colour, half-colour or grey for these glasses.",
        )
    return glasses.least_squares


MATRICES: dict[str, Callable[[Glasses], Matrix]] = {
    "colour": colour,
    "half-colour": half_colour,
    "grey": grey,
    "least-squares": least_squares,
}
"""Ways to mix an anaglyph by one matrix, by name."""

BY_COLOUR: dict[str, Callable[[Glasses, Picture, Picture], Mix]] = {
    "local-desaturation": local_desaturation,
    "cielab": cielab,
    "matched": matched,
}
"""Ways that treat every colour in its own way, by name."""

METHODS: tuple[str, ...] = (*MATRICES, *BY_COLOUR)
"""All ways to make an anaglyph."""


def anaglyph(
    left: Picture, right: Picture, glasses: Glasses, method: str, progress: Progress = silent
) -> Picture:
    """Anaglyph of a mounted pair, shape (H, W, 3), same type as the pictures.

    `left` and `right` are (H, W, 3), sRGB-encoded uint8 or uint16, of the same size (else PairError).
    `method` is one of METHODS (else NearpairError). Example: with red-cyan glasses a white left and a black
    right picture give pure red.
    """
    check_pair(left, right)
    mix = _mix(left, right, glasses, method)
    out = np.empty_like(left, order="C", subok=False)
    rows = max(1, _STRIP_PX // left.shape[1])
    strips = [slice(y, y + rows) for y in range(0, left.shape[0], rows)]

    def work(strip: slice) -> None:
        light = mix(decode_srgb(left[strip]), decode_srgb(right[strip]))
        out[strip] = encode_srgb(light, left.dtype)

    told = Counted(progress, f"mixing by {method}", len(strips))
    with ThreadPoolExecutor(max_workers=os.cpu_count() or 1) as pool:
        try:
            for _ in pool.map(work, strips):
                told.one_more()
        except BaseException:  # told to stop: strips that are not begun need not be
            pool.shutdown(cancel_futures=True)
            raise
    return out


def _mix(left: Picture, right: Picture, glasses: Glasses, method: str) -> Mix:
    if method in BY_COLOUR:
        return BY_COLOUR[method](glasses, left, right)
    if method not in MATRICES:
        raise NearpairError(
            f"method must be one of {', '.join(METHODS)}, found {method!r}.", "Choose one of these methods."
        )
    matrix = MATRICES[method](glasses).astype(np.float32)

    def mixed(left_light: Light, right_light: Light) -> Light:
        light = np.asarray(cv2.transform(left_light, matrix[:, :3]), dtype=np.float32)
        light += np.asarray(cv2.transform(right_light, matrix[:, 3:]), dtype=np.float32)
        return light

    return mixed
