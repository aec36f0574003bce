"""Small uncompressed raw files by the DNG specification, of scenes whose colours are known.

Tags, types and meaning: Adobe, Digital Negative (DNG) Specification 1.4.0.0 (2012), chapter 4; CFA tags from
TIFF/EP (ISO 12234-2); the EXIF directory as in Exif 2.32, section 4.6. The camera of these files has the
primaries of sRGB, so its colour matrix is the one from CIE XYZ to linear sRGB of IEC 61966-2-1 (1999); all
numbers from memory.
"""

import struct
from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from numpy.typing import NDArray

XYZ_TO_SRGB = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])
BLACK, WHITE = 256, 16383
NEUTRAL = (0.5, 1.0, 0.625)
"""What the sensor gives for a neutral grey: as-shot white balance (AsShotNeutral)."""

_CFA, _RGGB = 32803, bytes([0, 1, 1, 2])
_D65 = 21
_EXIF_POINTER = 34665
_PLACE_OF_EXIF = 34664  # unused; the library writes no EXIF pointer, so this is made one afterwards

_Tag = tuple[int, str, int, object, bool]


def write_dng(
    path: Path,
    linear: NDArray[np.float64],
    orientation: int = 1,
    exif: bytes = b"",
    tags: Mapping[int, tuple[str, int, object]] | None = None,
    *,
    tile: tuple[int, int] | None = None,
    preview: NDArray[np.uint8] | None = None,
) -> Path:
    """Write the (H, W, 3) linear sRGB scene (1 is white) as the mosaic that a sensor would have seen.

    `exif`: an EXIF directory that starts at offset 8 of its own, as `exif_directory` gives it. `tile`: size
    of tiles, else there are strips. With a `preview`, that comes first, and the raw picture lies below it.
    """
    given = {**_colour_tags(), **_sensor_tags(orientation), **(tags or {})}
    if exif:
        given[_PLACE_OF_EXIF] = ("I", 1, 0)
    plain: dict[str, Any] = {"metadata": None, "software": False}
    with tifffile.TiffWriter(path, byteorder="<") as file:
        if preview is not None:
            file.write(preview, photometric="rgb", subfiletype=1, subifds=1, **plain)
        tagged = [(tag, *value, True) for tag, value in sorted(given.items())]
        file.write(mosaic(linear), photometric=_CFA, tile=tile, extratags=tagged, **plain)
    if exif:
        _append_exif(path, exif)
    return path


def mosaic(linear: NDArray[np.float64]) -> NDArray[np.uint16]:
    """Return the (H, W) sensor values of a scene behind a red, green, green, blue filter array."""
    sensor = np.rint(BLACK + np.clip(linear * NEUTRAL, 0, 1) * (WHITE - BLACK)).astype(np.uint16)
    out = sensor[..., 1].copy()
    out[0::2, 0::2] = sensor[0::2, 0::2, 0]
    out[1::2, 1::2] = sensor[1::2, 1::2, 2]
    return out


def encoded(linear: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what IEC 61966-2-1 makes of linear light, 0 to 1."""
    return np.where(
        linear <= 0.0031308, 12.92 * linear, 1.055 * np.maximum(linear, 1e-9) ** (1 / 2.4) - 0.055
    )


def _colour_tags() -> dict[int, tuple[str, int, object]]:
    matrix = [part for value in XYZ_TO_SRGB.ravel() for part in (round(value * 10000), 10000)]
    neutral = [part for value in NEUTRAL for part in _rational(value)]
    return {
        50706: ("B", 4, (1, 4, 0, 0)),  # DNGVersion
        50707: ("B", 4, (1, 1, 0, 0)),  # DNGBackwardVersion
        50708: ("s", 0, "Demo Optics DO-24"),  # UniqueCameraModel
        50721: ("2i", 9, matrix),  # ColorMatrix1: XYZ to camera under CalibrationIlluminant1
        50728: ("2I", 3, neutral),  # AsShotNeutral
        50778: ("H", 1, _D65),  # CalibrationIlluminant1
    }


def _sensor_tags(orientation: int) -> dict[int, tuple[str, int, object]]:
    return {
        271: ("s", 0, "Demo Optics"),
        272: ("s", 0, "DO-24"),
        274: ("H", 1, orientation),
        33421: ("H", 2, (2, 2)),  # CFARepeatPatternDim
        33422: ("B", 4, _RGGB),  # CFAPattern: 0 red, 1 green, 2 blue
        50714: ("H", 1, BLACK),  # BlackLevel
        50717: ("H", 1, WHITE),  # WhiteLevel
    }


def _rational(value: float) -> tuple[int, int]:
    ratio = Fraction(value)
    return ratio.numerator, ratio.denominator


def _append_exif(path: Path, directory: bytes) -> None:
    """Put an EXIF directory behind the picture and its place into tag 34665 of the first directory."""
    data = bytearray(path.read_bytes())
    data += b"\0" * (len(data) % 2)
    start = len(data)
    with tifffile.TiffFile(path) as tif:
        entry = tif.pages[0].tags[_PLACE_OF_EXIF].offset
    struct.pack_into("<H", data, entry, _EXIF_POINTER)
    struct.pack_into("<I", data, entry + 8, start)
    path.write_bytes(bytes(data) + _moved(directory, start))


def _moved(directory: bytes, start: int) -> bytes:
    """Shift the value offsets of a little-endian directory that was made for offset 0."""
    out = bytearray(directory)
    sizes = {2: 1, 3: 2, 4: 4, 5: 8}
    for number in range(struct.unpack_from("<H", out)[0]):
        at = 2 + 12 * number
        kind, count = struct.unpack_from("<HI", out, at + 2)
        if sizes[kind] * count > 4:
            struct.pack_into("<I", out, at + 8, struct.unpack_from("<I", out, at + 8)[0] + start)
    return bytes(out)
