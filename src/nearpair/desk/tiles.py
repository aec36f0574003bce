"""Pieces of a shoot's pictures as the page asks for them: PNG, exact to the byte."""

from collections.abc import Callable
from io import BytesIO

import numpy as np
from PIL import Image

from nearpair.shoot.preview import Bytes, halved_size
from nearpair.shoot.showing import Shown

TILE_PX = 512

Coloured = Callable[[int, tuple[int, int], tuple[int, int]], Bytes]
"""A piece of a map: level, first px (x, y) and size (rows, columns)."""


def tile(picture: Bytes, column: int, row: int) -> bytes | None:
    """A piece of a picture as PNG; None where there is nothing."""
    top, start = row * TILE_PX, column * TILE_PX
    if top >= picture.shape[0] or start >= picture.shape[1]:
        return None
    return png(picture[top : top + TILE_PX, start : start + TILE_PX])


def map_tile(pair: Shown, coloured: Coloured, level: int, column: int, row: int) -> bytes | None:
    """A piece of a map as PNG, in the place of the left picture; None where there is nothing."""
    if not 0 <= level < pair.levels:
        return None
    top, start = row * TILE_PX, column * TILE_PX
    height, width = halved_size(pair.size_px, level)
    if top >= height or start >= width:
        return None
    return png(coloured(level, (start, top), (min(TILE_PX, height - top), min(TILE_PX, width - start))))


def png(picture: Bytes) -> bytes:
    """A picture (H, W) or (H, W, 3) as a PNG file."""
    file = BytesIO()
    Image.fromarray(np.ascontiguousarray(picture)).save(file, "PNG", compress_level=1)
    return file.getvalue()
