"""A focus stack as large as a camera writes it, made from numbers: 6000 x 4000 JPEG files of about 8 MB.

Texture of many octaves with thin lines lies on a hilly surface with steps; a frame blurs each place by its
distance from the plane of focus, grows by 0.3 % about the centre (focusing nearer), moves by some pixels and
gets the noise of a sensor. It measures time and memory; how good a merge is shows on scenes with truth.
"""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import ExifTags, Image

SIZE = (4000, 6000)
FRAMES = 20
QUALITY = 95
SCALE_STEP = 1.003
SHIFT_PX = 4.0
NOISE_LEVELS = 4.2
BLUR_PX_PER_FRAME = 1.0
SIGMAS_PX = np.array([0, 0.6, 1.2, 2, 3, 4.5, 6.5, 9, 13, 19.0])
RECIPE = f"{SIZE} {FRAMES} q{QUALITY} {SCALE_STEP} {SHIFT_PX} {NOISE_LEVELS} {BLUR_PX_PER_FRAME} v1"
_ROWS_AT_ONCE = 500


def octaves(random: np.random.Generator, size: tuple[int, int], first: int, last: int, slope: float) -> Any:
    """Return noise (H, W) float32 whose octaves grow `slope`-fold with their size, unit variance."""
    height, width = size
    total = np.zeros(size, dtype=np.float32)
    for octave in range(first, last):
        grid = random.standard_normal((max(2, height >> octave), max(2, width >> octave)), dtype=np.float32)
        total += slope**octave * cv2.resize(grid, (width, height), interpolation=cv2.INTER_CUBIC)
    return (total - total.mean()) / total.std()


def sharp_picture(random: np.random.Generator, size: tuple[int, int]) -> NDArray[np.uint8]:
    """Return the scene without any blur, (H, W, 3) RGB."""
    height, width = size
    light = octaves(random, size, 0, 9, 1.35)
    picture = np.empty((height, width, 3), dtype=np.uint8)
    for channel in range(3):
        tint = octaves(random, size, 4, 10, 1.3)
        picture[..., channel] = np.clip(118 + 34 * light + 14 * tint, 0, 255)
    lines = width * height // 8000
    ends = random.uniform(-0.06, 0.06, (lines, 2)) * width
    starts = random.uniform(0, 1, (lines, 2)) * (width, height)
    colours = random.integers(20, 240, (lines, 3))
    for start, reach, colour in zip(starts, ends, colours, strict=True):
        first, last = (tuple(int(v) for v in point) for point in (start, start + reach))
        cv2.line(picture, first, last, tuple(int(v) for v in colour), 1, cv2.LINE_AA)
    return picture


def depth(random: np.random.Generator, size: tuple[int, int]) -> NDArray[np.float32]:
    """Return the frame number (fractional, 0 to FRAMES - 1) in which each place is sharp, (H, W)."""
    hills = octaves(random, size, 8, 11, 1.6)
    steps = octaves(random, size, 9, 11, 1.5) > 0.6
    rank = np.clip(0.5 + 0.22 * hills + 0.25 * steps, 0, 1)
    return np.asarray(rank * (FRAMES - 1), dtype=np.float32)


def blurred(picture: NDArray[np.uint8]) -> list[Any]:
    """Return the scene at every blur of SIGMAS_PX."""
    return [picture if sigma == 0 else cv2.GaussianBlur(picture, (0, 0), float(sigma)) for sigma in SIGMAS_PX]


def focused(levels: list[Any], sharp_in: NDArray[np.float32], frame: int) -> NDArray[np.uint8]:
    """Return the scene focused on the plane of `frame`, mixed from neighbouring blurs."""
    out = np.empty(levels[0].shape, dtype=np.uint8)
    for top in range(0, out.shape[0], _ROWS_AT_ONCE):
        rows = slice(top, top + _ROWS_AT_ONCE)
        sigma = BLUR_PX_PER_FRAME * np.abs(sharp_in[rows] - frame)
        place = np.interp(sigma, SIGMAS_PX, np.arange(len(SIGMAS_PX))).astype(np.float32)
        mixed = np.zeros((*sigma.shape, 3), dtype=np.float32)
        for number, level in enumerate(levels):
            weight = np.maximum(1 - np.abs(place - number), 0)
            if weight.any():
                mixed += weight[..., None] * level[rows]
        out[rows] = as_bytes(mixed)
    return out


def as_bytes(levels: Any) -> NDArray[np.uint8]:
    """Round to 8 bits."""
    return np.asarray(np.clip(np.rint(levels), 0, 255), dtype=np.uint8)


def as_taken(picture: NDArray[np.uint8], frame: int, random: np.random.Generator) -> NDArray[np.uint8]:
    """Return the frame as the sensor saw it: larger, moved, noisy."""
    height, width = picture.shape[:2]
    scale = SCALE_STEP**frame
    dx, dy = random.uniform(-SHIFT_PX, SHIFT_PX, 2)
    cx, cy = (width - 1) / 2, (height - 1) / 2
    matrix = np.array([[scale, 0, cx * (1 - scale) + dx], [0, scale, cy * (1 - scale) + dy]])
    moved: Any = cv2.warpAffine(
        picture, matrix, (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT
    )
    noise = random.standard_normal(moved.shape, dtype=np.float32)
    return as_bytes(moved + NOISE_LEVELS * noise)


def exif_of(frame: int) -> Image.Exif:
    """Return the metadata of a frame, two seconds apart from the next."""
    exif = Image.Exif()
    taken = datetime(2025, 5, 2, 11, 0, tzinfo=UTC) + timedelta(seconds=2 * frame)
    stamp = taken.strftime("%Y:%m:%d %H:%M:%S")
    exif.update({ExifTags.Base.Make: "Invented", ExifTags.Base.Model: "24 MP", ExifTags.Base.DateTime: stamp})
    exif.get_ifd(ExifTags.IFD.Exif).update(
        {ExifTags.Base.DateTimeOriginal: stamp, ExifTags.Base.FocalLength: 100.0, ExifTags.Base.FNumber: 5.6}
    )
    return exif


def make(folder: Path) -> list[Path]:
    """Write the stack into `folder`, or find it there; return its files in shooting order."""
    files = [folder / f"BENCH_{frame + 1:04d}.JPG" for frame in range(FRAMES)]
    note = folder / "recipe.txt"
    if note.exists() and note.read_text() == RECIPE:
        return files
    folder.mkdir(parents=True, exist_ok=True)
    random = np.random.default_rng(24)
    levels, sharp_in = blurred(sharp_picture(random, SIZE)), depth(random, SIZE)
    for frame, file in enumerate(files):
        taken = as_taken(focused(levels, sharp_in, frame), frame, random)
        Image.fromarray(taken).save(file, quality=QUALITY, subsampling="4:2:0", exif=exif_of(frame))
        print(f"made {file.name}, {file.stat().st_size / 1e6:.1f} MB", flush=True)
    note.write_text(RECIPE)
    return files


def make_tiff(files: list[Path], folder: Path) -> list[Path]:
    """Write frames into `folder` as deflated TIFF files of 16 bits, noise in the lower bits, or find them."""
    folder.mkdir(parents=True, exist_ok=True)
    random = np.random.default_rng(16)
    made = [folder / f"{file.stem}.tif" for file in files]
    for file, target in zip(files, made, strict=True):
        if not target.exists():
            codes = np.asarray(Image.open(file)).astype(np.uint16)
            lower = random.integers(0, 256, (*codes.shape[:2], 1), dtype=np.uint16)
            part = target.with_suffix(".part")
            tifffile.imwrite(
                part,
                codes * 256 + lower,
                photometric="rgb",
                compression="zlib",
                predictor=True,
                rowsperstrip=64,
            )
            part.rename(target)
            print(f"made {target.name}, {target.stat().st_size / 1e6:.1f} MB", flush=True)
    return made


def cycled(files: list[Path], count: int, folder: Path) -> list[Path]:
    """Return `count` frames made of the same files over and over, there and back, by hard links."""
    folder.mkdir(parents=True, exist_ok=True)
    there_and_back = files + files[-2:0:-1]
    links = [folder / f"CYCLE_{number + 1:04d}{files[0].suffix}" for number in range(count)]
    for number, link in enumerate(links):
        if not link.exists():
            link.hardlink_to(there_and_back[number % len(there_and_back)])
    return links
