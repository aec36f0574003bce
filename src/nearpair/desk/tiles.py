"""Pieces of a shoot's pictures as the page asks for them: PNG, exact to the byte."""

from io import BytesIO
from typing import Any

import cv2
import numpy as np
from PIL import Image

from nearpair.proof.pictures import depth_picture
from nearpair.shoot.showing import Bytes, Shown

TILE_PX = 512


def tile(pair: Shown, picture: tuple[Bytes, ...] | None, level: int, column: int, row: int) -> bytes | None:
    """A piece of a picture of a pair as PNG, of its depth if None is given; None where there is nothing."""
    if not 0 <= level < len(pair.left):
        return None
    top, start = row * TILE_PX, column * TILE_PX
    whole = (pair.left if picture is None else picture)[level]
    if top >= whole.shape[0] or start >= whole.shape[1]:
        return None
    piece = whole[top : top + TILE_PX, start : start + TILE_PX]
    if picture is None:
        piece = _depth_piece(pair, level, start, top, piece.shape[:2])
    return png(piece)


def png(picture: Bytes) -> bytes:
    """A picture (H, W) or (H, W, 3) as a PNG file."""
    file = BytesIO()
    Image.fromarray(np.ascontiguousarray(picture)).save(file, "PNG", compress_level=1)
    return file.getvalue()


def _depth_piece(pair: Shown, level: int, start: int, top: int, size: tuple[int, ...]) -> Any:
    """The depth map in colours, in the place of the left picture; grey outside the crop."""
    x, y = pair.mounting.crop_px[:2]
    near = -1.0 if pair.near_px is None else pair.near_px
    far = 1.0 if pair.far_px is None else pair.far_px
    coloured = depth_picture(pair.parallax, near, far)
    cell, scale = pair.parallax_factor, 2**level
    to_map = np.array(
        [
            [scale / cell, 0, (start * scale - x) / cell],
            [0, scale / cell, (top * scale - y) / cell],
        ]
    )
    return cv2.warpAffine(
        coloured,
        to_map,
        (size[1], size[0]),
        flags=cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=(96, 96, 96),
    )
