"""Frames for measuring load: stacks of any length and size, for any number of stations, made from numbers.

The scene is that of `large_stack`; a station sees it moved sideways by as much as each place is near, which
leaves things behind edges out and is enough to sort, register, match and merge. Each frame is blurred by its
distance from the plane of focus, a little larger than the last one, moved by some pixels, and has noise of
its own.
"""

import json
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import cv2
import numba
import numpy as np
import simplejpeg
import tifffile
from numpy.typing import NDArray
from PIL import ExifTags, Image

from benchmarks.large_stack import depth, sharp_picture

_QUALITY = 93
_SCALE_TOTAL = 1.05
_MOVED_SHARE = 0.0007
_NOISE_LEVELS = 3.0
_BETWEEN_S = 40.0
_SIGMAS_PX = np.array([0, 0.6, 1.2, 2, 3, 4.5, 6.5, 9, 13, 19, 28, 40, 56, 80], np.float32)


@dataclass(frozen=True)
class Stacks:
    """What is made.

    blur_px: standard deviation of the blur one frame beside the plane of focus. parallax_share: how far the
    nearest things move between neighbouring stations against the farthest ones, of the width. bits: 8 for
    JPEG files, 16 for TIFF.
    """

    size_px: tuple[int, int] = (400, 600)
    frames: int = 50
    stations: int = 2
    blur_px: float = 0.08
    parallax_share: float = 0.012
    bits: int = 8


def folders_of(made: Stacks, target: Path) -> list[Path]:
    """Make the stacks below `target`, or find them there; return the folder of each station."""
    folders = [target / f"station-{number + 1:02d}" for number in range(made.stations)]
    note = target / "made.json"
    if note.exists() and note.read_text() == json.dumps(asdict(made)):
        return folders
    random = np.random.default_rng(9)
    picture, near = sharp_picture(random, made.size_px), depth(random, made.size_px)
    near *= (made.frames - 1) / max(1.0, float(near.max()))
    for number, folder in enumerate(folders):
        folder.mkdir(parents=True, exist_ok=True)
        _write(made, number, _moved(picture, near, number * made.parallax_share, made), folder)
    note.write_text(json.dumps(asdict(made)))
    return folders


def _moved(picture: Any, near: Any, share: float, made: Stacks) -> tuple[Any, Any]:
    """The scene and its depth from a station moved to the right: near things move left."""
    height, width = made.size_px
    x, y = np.meshgrid(np.arange(width, dtype=np.float32), np.arange(height, dtype=np.float32))
    x += np.float32(share * width) * (near / np.float32(max(1, made.frames - 1)) - np.float32(0.3))
    one, other = (
        cv2.remap(plane, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT) for plane in (picture, near)
    )
    return one, other


def _write(made: Stacks, station: int, scene: tuple[Any, Any], folder: Path) -> None:
    picture, near = scene
    most = made.blur_px * made.frames
    levels = np.stack([_blurred(picture, float(sigma)) for sigma in _sigmas(most)])
    random = np.random.default_rng(station)
    noise = np.rint(_NOISE_LEVELS * random.standard_normal(1 << 20)).astype(np.int8)
    for frame in range(made.frames):
        scale = _SCALE_TOTAL ** (frame / max(1, made.frames - 1))
        dx, dy = random.uniform(-_MOVED_SHARE, _MOVED_SHARE, 2) * made.size_px[1]
        start = int(random.integers(noise.size))
        out = np.empty(picture.shape, np.uint8 if made.bits == 8 else np.uint16)
        _take(levels, _sigmas(most), near, (frame, made.blur_px, scale, dx, dy), noise, start, out)
        number = station * made.frames + frame
        taken = datetime(2025, 5, 2, 11, 0, tzinfo=UTC) + timedelta(seconds=number + station * _BETWEEN_S)
        _save(out, taken.strftime("%Y:%m:%d %H:%M:%S"), folder / f"LOAD_{number + 1:05d}")


def _save(picture: Any, taken: str, stem: Path) -> None:
    """Write one file, as a camera or a raw converter does."""
    if picture.dtype == np.uint16:
        tags = [(ExifTags.Base.DateTime, "s", 0, taken, True), (ExifTags.Base.Model, "s", 0, "Load", True)]
        tifffile.imwrite(
            stem.with_suffix(".tif"),
            picture,
            photometric="rgb",
            rowsperstrip=64,
            metadata=None,
            extratags=tags,
        )
        return
    jpeg = simplejpeg.encode_jpeg(picture, quality=_QUALITY, colorspace="RGB", colorsubsampling="420")
    stem.with_suffix(".JPG").write_bytes(_with_exif(jpeg, taken))


def _blurred(picture: Any, sigma_px: float) -> Any:
    """The picture blurred; strong blurs at a smaller size, which takes a fraction of the time."""
    if sigma_px == 0:
        return picture
    times = 2 ** max(0, int(np.log2(sigma_px / 3)))
    size = (picture.shape[1], picture.shape[0])
    if times > 1:
        small = (size[0] // times, size[1] // times)
        picture = cv2.resize(picture, small, interpolation=cv2.INTER_AREA)
    picture = cv2.GaussianBlur(picture, (0, 0), sigma_px / times)
    return picture if times == 1 else cv2.resize(picture, size, interpolation=cv2.INTER_LINEAR)


def _sigmas(most_px: float) -> NDArray[np.float32]:
    """Blurs that are made beforehand: up to the largest that is needed."""
    return _SIGMAS_PX[: int(np.searchsorted(_SIGMAS_PX, most_px)) + 1]


@numba.njit(parallel=True, cache=True)
def _take(levels, sigmas, near, taken, noise, start, out):  # type: ignore[no-untyped-def]
    """Fill `out` with the frame: each place from the two blurs around its own, moved, with noise."""
    height, width = near.shape
    frame, blur_px, scale, dx, dy = taken
    last = len(sigmas) - 1
    most = 255.0 if out.itemsize == 1 else 65535.0
    for y in numba.prange(height):
        at = (start + y * 7919) % (noise.size - 3 * width - 1)
        sy = (y - dy - (height - 1) / 2) / scale + (height - 1) / 2
        y0 = min(max(int(sy), 0), height - 2)
        fy = min(max(sy - y0, 0.0), 1.0)
        for x in range(width):
            sx = (x - dx - (width - 1) / 2) / scale + (width - 1) / 2
            x0 = min(max(int(sx), 0), width - 2)
            fx = min(max(sx - x0, 0.0), 1.0)
            sigma = blur_px * abs(near[y0, x0] - frame)
            level = 0
            while level < last - 1 and sigmas[level + 1] < sigma:
                level += 1
            part = (sigma - sigmas[level]) / (sigmas[level + 1] - sigmas[level]) if last > 0 else 0.0
            part = min(max(part, 0.0), 1.0)
            for c in range(3):
                value = 0.0
                for k in range(2):
                    of = levels[min(level + k, last)]
                    top = of[y0, x0, c] * (1 - fx) + of[y0, x0 + 1, c] * fx
                    low = of[y0 + 1, x0, c] * (1 - fx) + of[y0 + 1, x0 + 1, c] * fx
                    value += (part if k else 1 - part) * (top * (1 - fy) + low * fy)
                value += noise[at + 3 * x + c]
                out[y, x, c] = out.dtype.type(min(max(value * (most / 255) + 0.5, 0.0), most))


def _with_exif(jpeg: bytes, stamp: str) -> bytes:
    """Put an EXIF segment behind the first mark."""
    exif = Image.Exif()
    exif.update({ExifTags.Base.Make: "Invented", ExifTags.Base.Model: "Load", ExifTags.Base.DateTime: stamp})
    exif.get_ifd(ExifTags.IFD.Exif).update(
        {ExifTags.Base.DateTimeOriginal: stamp, ExifTags.Base.FocalLength: 100.0, ExifTags.Base.FNumber: 5.6}
    )
    body = exif.tobytes()
    return jpeg[:2] + b"\xff\xe1" + (len(body) + 2).to_bytes(2, "big") + body + jpeg[2:]
