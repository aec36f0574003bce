"""Moving pictures that loop: GIF and WebP. The same bytes for the same pictures.

A GIF has one palette of 256 colours for all its pictures, made from all of them, so that a place which does
not move does not flicker.
"""

import io
from collections.abc import Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from nearpair.frames.carried import Carried

_WEBP_QUALITY, _WEBP_EFFORT = 85, 4
_SAMPLE_ROWS = 2048  # rows of all pictures that the palette is made from, at most


def write_gif(path: Path, frames: Sequence[NDArray[np.uint8]], each_ms: int) -> None:
    """Write (H, W, 3) RGB pictures of one size as a GIF without end; GIF counts in 10 ms."""
    palette = _palette(frames)
    pictures = [
        Image.fromarray(f).quantize(palette=palette, dither=Image.Dither.FLOYDSTEINBERG) for f in frames
    ]
    file = io.BytesIO()  # as in `write`: a full disk would pass unnoticed
    pictures[0].save(
        file,
        format="GIF",
        save_all=True,
        append_images=pictures[1:],
        duration=each_ms // 10 * 10,
        loop=0,
        optimize=False,
        disposal=1,
    )
    path.write_bytes(file.getbuffer())


def write_webp(
    path: Path,
    frames: Sequence[NDArray[np.uint8]],
    each_ms: int,
    profile: bytes,
    carried: Carried,
) -> None:
    """Write (H, W, 3) RGB pictures of one size as a WebP animation without end."""
    pictures = [Image.fromarray(frame) for frame in frames]
    pictures[0].save(
        path,
        format="WEBP",
        save_all=True,
        append_images=pictures[1:],
        duration=each_ms,
        loop=0,
        quality=_WEBP_QUALITY,
        method=_WEBP_EFFORT,
        icc_profile=profile,
        exif=carried.exif,
        xmp=carried.xmp,
    )


def _palette(frames: Sequence[NDArray[np.uint8]]) -> Image.Image:
    rows = np.concatenate(frames)
    every = -(-len(rows) // _SAMPLE_ROWS)
    return Image.fromarray(np.ascontiguousarray(rows[::every])).quantize(256, method=Image.Quantize.MEDIANCUT)
