"""Write pictures: the same bytes for the same input, no clock, complete metadata.

These functions write to the path they are given; that a file appears only when complete is the shoot's care.
TIFF tags: TIFF 6.0 (1992); Adobe Photoshop TIFF Technical Notes (2002) for deflate; ICC.1:2010, annex B.4 for
the profile; XMP specification part 3 for the packet (tag 700).
"""

import io
from pathlib import Path
from typing import Any, Literal

import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import Image, PngImagePlugin

from nearpair.errors import FrameError
from nearpair.frames.carried import Carried, software
from nearpair.frames.formats import damaged, sniff, unreadable
from nearpair.frames.metadata import FrameInfo
from nearpair.frames.read import Pixels
from nearpair.frames.xmp import clock, xmp_packet

JPEG_MAX_SIDE_PX = 65_500
"""The longest side of a JPEG that libjpeg writes (JPEG_MAX_DIMENSION in its jmorecfg.h)."""

_ROWS_PER_STRIP = 64
_DEFLATE_LEVEL = 1  # measured at 24 MP, 16 bits: level 6 takes four times as long and is no smaller


def write_tiff(
    path: Path,
    rgb: Pixels,
    profile: bytes | None = None,
    info: FrameInfo | None = None,
    pixels_per_inch: float | None = None,
) -> None:
    """Write (H, W, 3) RGB uint8 or uint16 as TIFF (deflate) with profile and metadata of a frame."""
    _check(rgb, (np.uint8, np.uint16), dimensions=(3,))
    _write_strips(
        path,
        rgb,
        photometric="rgb",
        predictor=2,
        iccprofile=profile,
        datetime=_tiff_date(info),
        extratags=_tags(info),
        **_tiff_resolution(pixels_per_inch),
    )


def write_float_tiff(path: Path, plane: NDArray[np.float32]) -> None:
    """Write a (H, W) float32 map (focus map, parallax; NaN where unknown) as TIFF (deflate)."""
    _check(plane, (np.float32,), dimensions=(2,))
    _write_strips(path, plane, photometric="minisblack", predictor=3)


def read_tiff(path: Path) -> NDArray[Any]:
    """Return the first page of a TIFF as stored: (H, W, 3) uint8 or uint16, or (H, W) float32.

    Raises FrameError if the file is missing, no TIFF, or damaged.
    """
    if sniff(path)[0] != "TIFF":
        raise damaged(path, "this is not a TIFF")
    try:
        stored: NDArray[Any] = tifffile.imread(path, key=0)
    except OSError as error:
        raise unreadable(path, error) from error
    except Exception as error:
        raise damaged(path, error) from error
    if not stored.size:
        raise damaged(path, "it holds no picture")
    return stored


def read_tiff_part(path: Path, box: tuple[int, int, int, int]) -> NDArray[Any]:
    """A part (x, y, width, height) of what `read_tiff` returns; of a file in strips only these are read.

    Raises FrameError as that, and if the picture does not have the part.
    """
    x, y, width, height = box
    try:
        with tifffile.TiffFile(path) as file:
            page = file.pages[0].aspage()
            fits = x >= 0 and y >= 0 and y + height <= page.imagelength and x + width <= page.imagewidth
            if fits and not page.is_tiled and page.planarconfig == tifffile.PLANARCONFIG.CONTIG:
                rows = page.rowsperstrip
                strips = range(y // rows, -(-(y + height) // rows))
                found = np.concatenate([_strip(file, page, number) for number in strips])
                return np.ascontiguousarray(found[y % rows :][:height, x : x + width])
    except OSError as error:
        raise unreadable(path, error) from error
    except Exception as error:
        raise damaged(path, error) from error
    whole = read_tiff(path)
    if not fits:
        raise damaged(path, "it is smaller than it should be")
    return np.ascontiguousarray(whole[y : y + height, x : x + width])


def _strip(file: tifffile.TiffFile, page: tifffile.TiffPage, number: int) -> NDArray[Any]:
    file.filehandle.seek(page.dataoffsets[number])
    data = file.filehandle.read(page.databytecounts[number])
    decoded: Any = page.decode(data, number)[0]
    plane: NDArray[Any] = decoded[0]
    return plane if page.samplesperpixel > 1 else plane[..., 0]


def write_jpeg(
    path: Path,
    rgb: NDArray[np.uint8],
    quality: int = 95,
    profile: bytes | None = None,
    pixels_per_inch: float | None = None,
    subsampling: Literal["4:4:4", "4:2:2", "4:2:0"] = "4:4:4",
    carried: Carried | None = None,
) -> None:
    """Write (H, W, 3) RGB or (H, W) grey uint8 as JPEG of `quality` 1 to 100.

    Colour is kept at full resolution by default: halved, it leaks across the edges of an anaglyph into the
    wrong eye.
    Raises FrameError if a side is longer than JPEG_MAX_SIDE_PX.
    """
    _check(rgb, (np.uint8,), dimensions=(2, 3))
    if max(rgb.shape[:2]) > JPEG_MAX_SIDE_PX:
        found = f"{rgb.shape[1]} x {rgb.shape[0]} pixels; a JPEG has at most {JPEG_MAX_SIDE_PX} on a side"
        raise FrameError(f"{path}: {found}.", "Write TIFF or PNG, or make the picture smaller.")
    options: dict[str, Any] = {"quality": quality, "subsampling": subsampling, "optimize": True}
    if carried is not None:
        options |= {"exif": carried.exif, "xmp": carried.xmp}
    _save(path, rgb, "JPEG", profile, pixels_per_inch, options)


def write_png(
    path: Path,
    pixels: NDArray[np.uint8],
    profile: bytes | None = None,
    pixels_per_inch: float | None = None,
    carried: Carried | None = None,
) -> None:
    """Write (H, W, 3) RGB or (H, W) grey uint8 as PNG."""
    _check(pixels, (np.uint8,), dimensions=(2, 3))
    options: dict[str, Any] = {"compress_level": 6}
    if carried is not None:
        text = PngImagePlugin.PngInfo()
        text.add_itxt("XML:com.adobe.xmp", carried.xmp.decode())
        options |= {"exif": carried.exif, "pnginfo": text}
    _save(path, pixels, "PNG", profile, pixels_per_inch, options)


def _write_strips(path: Path, data: NDArray[Any], **options: Any) -> None:
    tifffile.imwrite(
        path,
        np.ascontiguousarray(data),
        byteorder="<",
        compression="adobe_deflate",
        compressionargs={"level": _DEFLATE_LEVEL},
        rowsperstrip=_ROWS_PER_STRIP,
        metadata=None,
        software=software(),
        **options,
    )


def _tiff_date(info: FrameInfo | None) -> str | None:
    if info is None or info.captured_s is None:
        return None
    return clock(info.captured_s).strftime("%Y:%m:%d %H:%M:%S")


def _tags(info: FrameInfo | None) -> list[tuple[int, int | str, int, Any, bool]]:
    packet = xmp_packet(info, software())
    tags: list[tuple[int, int | str, int, Any, bool]] = [(700, "B", len(packet), packet, True)]
    for tag, text in ((271, info and info.make), (272, info and (info.model or info.camera))):
        if text:
            tags.append((tag, "s", 0, text.encode("ascii", "replace").decode(), True))
    return tags


def _tiff_resolution(pixels_per_inch: float | None) -> dict[str, Any]:
    if pixels_per_inch is None:
        return {}
    return {"resolution": (pixels_per_inch, pixels_per_inch), "resolutionunit": "INCH"}


def _save(
    path: Path,
    pixels: NDArray[np.uint8],
    kind: str,
    profile: bytes | None,
    pixels_per_inch: float | None,
    options: dict[str, Any],
) -> None:
    if profile is not None:
        options["icc_profile"] = profile
    if pixels_per_inch is not None:
        options["dpi"] = (pixels_per_inch, pixels_per_inch)
    file = io.BytesIO()  # the library's own writing to disk takes a disk that fills up meanwhile for success
    Image.fromarray(np.ascontiguousarray(pixels)).save(file, format=kind, **options)
    path.write_bytes(file.getbuffer())


def _check(pixels: NDArray[Any], kinds: tuple[type, ...], dimensions: tuple[int, ...]) -> None:
    """Raise ValueError for a caller's mistake; users never get here."""
    fits = pixels.ndim in dimensions and pixels.size > 0 and (pixels.ndim == 2 or pixels.shape[2] == 3)
    if not fits or pixels.dtype.type not in kinds:
        wanted = " or ".join(kind.__name__ for kind in kinds)
        raise ValueError(f"expected {wanted} of {dimensions} dimensions, got {pixels.dtype} {pixels.shape}")
