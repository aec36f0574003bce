"""Raw frames, developed by LibRaw through rawpy, which comes with the extra `nearpair[raw]`.

Every frame is developed alike, so that the frames of a stack stay comparable: white balance as the camera
recorded it, no automatic brightness, white where the sensor's white is and not where this frame's brightest
pixel is, adaptive homogeneity-directed demosaicing; primaries of sRGB and its transfer curve (IEC 61966-2-1),
16 bits. What the files say comes from their EXIF, and where they hide it, from LibRaw.
"""

import contextlib
import io
from collections.abc import Iterable, Iterator
from dataclasses import replace
from datetime import UTC
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import tifffile
from numpy.typing import NDArray
from PIL import JpegImagePlugin

from nearpair.frames.complaints import quiet
from nearpair.frames.cr3 import cr3_exif
from nearpair.frames.exif import ExifFields, from_block, from_tiff
from nearpair.frames.formats import TIFF_MAGIC, damaged, needs_extra, unsupported

BITS = 16

_GAMMA = (2.4, 12.92)  # power and slope of IEC 61966-2-1; LibRaw finds the offset that joins them
# LibRaw's `flip` (bits: mirrored across, mirrored down, transposed) as TIFF orientation (TIFF 6.0, tag 274)
_ORIENTATIONS = (1, 2, 4, 3, 5, 8, 6, 7)
_NEARLY_TIFF = (b"IIRO", b"IIRS", b"MMOR", b"IIU\0")  # TIFF but for the number in its first bytes
_RAW_PHOTOMETRIC = (32803, 34892)  # colour filter array, linear raw (TIFF/EP, DNG)
_HEAD_BYTES = 1 << 20


def raw_settings() -> str:
    """Return what a developed frame depends on beside the file: these settings and the library's version."""
    rawpy = _library(Path("raw files"))
    return f"1: as-shot AHD sRGB 16 bits; LibRaw {rawpy.libraw_version}"


def raw_header(path: Path, file: BinaryIO, size: int) -> tuple[tuple[int, int], ExifFields]:
    """Return (height, width) before the orientation is applied, and what the file says.

    Raises FrameError without the extra, and for files that LibRaw does not know or that are cut short.
    """
    _refuse_short(path, file, size)
    with _opened(path) as raw:
        sizes = raw.sizes
        height, width = sizes.height, sizes.width
        if sizes.pixel_aspect < 1:  # pixels that are not square: LibRaw stretches the shorter side
            height = int(height / sizes.pixel_aspect + 0.5)
        elif sizes.pixel_aspect > 1:
            width = int(width * sizes.pixel_aspect + 0.5)
        orientation = _ORIENTATIONS[sizes.flip & 7]
        said = _completed(_exif(raw, file), raw)
    return (height, width), replace(said, orientation=orientation)


def develop(path: Path, half: bool = False) -> NDArray[np.uint16]:
    """Return the developed frame as stored, (H, W, 3) uint16 sRGB, before the orientation is applied.

    `half`: a quarter of the pixels, one for each 2 x 2 of the mosaic, much faster; files without a mosaic
    come in full all the same. Raises FrameError.
    """
    with _opened(path) as raw:
        return np.asarray(
            raw.postprocess(
                use_camera_wb=True,
                output_bps=BITS,
                gamma=_GAMMA,
                no_auto_bright=True,
                adjust_maximum_thr=0.0,
                user_flip=0,
                half_size=half,
            )
        )


def _library(path: Path) -> Any:
    try:
        import rawpy
    except ImportError as error:
        develop_all = "develop the raw frames of both eyes with the same settings to 16-bit TIFF or JPEG"
        raise needs_extra(path, "raw files", "raw", develop_all) from error
    return rawpy


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[Any]:
    """Open a raw file; what LibRaw finds wrong with it in the block becomes a FrameError."""
    rawpy = _library(path)
    try:
        with rawpy.imread(str(path)) as raw:
            yield raw
    except (rawpy.LibRawFileUnsupportedError, rawpy.NotSupportedError) as error:
        raise unsupported(path, "this kind of raw file") from error
    except rawpy.LibRawIOError as error:
        raise damaged(path, "part of the file is missing") from error
    except rawpy.LibRawUnsufficientMemoryError as error:
        raise MemoryError from error
    except rawpy.LibRawError as error:
        said = error.args[0] if error.args else type(error).__name__
        raise damaged(path, said.decode("latin-1") if isinstance(said, bytes) else said) from error


def _refuse_short(path: Path, file: BinaryIO, size: int) -> None:
    """Raise FrameError if the pixels of a raw file that is TIFF inside reach beyond its end."""
    file.seek(0)
    if not file.read(4).startswith(TIFF_MAGIC):
        return
    file.seek(0)
    try:
        with tifffile.TiffFile(file) as tif:
            ends = list(_raw_ends(tif.pages, set()))
    except Exception:  # noqa: BLE001 - makers bend TIFF; whether the file can be read is for LibRaw to say
        return
    if max(ends, default=0) > size:
        raise damaged(path, "part of the pixels is missing")


def each_once(pages: Iterable[Any], seen: set[int] | None = None) -> Iterator[Any]:
    """Directories of a TIFF until one comes again: in a broken file they may follow each other in a circle.

    seen: places of directories that were looked at already; gets those of these.
    """
    seen = set() if seen is None else seen
    for page in pages:
        if page.offset in seen:
            return
        seen.add(page.offset)
        yield page


def _raw_ends(pages: Iterable[Any], seen: set[int]) -> Iterator[int]:
    """Where the strips of the raw pictures in pages, and in those below them, end in the file."""
    for page in each_once(pages, seen):
        if int(page.photometric) in _RAW_PHOTOMETRIC:
            for offset, count in zip(page.dataoffsets, page.databytecounts, strict=True):
                yield offset + count
        yield from _raw_ends(page.pages or (), seen)


def _exif(raw: Any, file: BinaryIO) -> ExifFields:
    """Read the EXIF where the format has it: as a TIFF, in boxes, or in the camera's JPEG inside the file."""
    file.seek(0)
    start = file.read(12)
    if start.startswith(TIFF_MAGIC):
        return from_tiff(file)
    if start.startswith(_NEARLY_TIFF):
        magic = b"II*\0" if start.startswith(b"II") else b"MM\0*"
        return from_tiff(io.BytesIO(magic + start[4:] + file.read(_HEAD_BYTES)))
    if start.endswith(b"ftypcrx "):
        return cr3_exif(start + file.read(_HEAD_BYTES))
    try:
        preview = raw.extract_thumb().data
        with quiet():
            block = JpegImagePlugin.JpegImageFile(io.BytesIO(preview)).info.get("exif")
    except Exception:  # noqa: BLE001 - no preview, or none that is a JPEG: LibRaw's own few fields remain
        return ExifFields()
    return from_block(block)


def _completed(said: ExifFields, raw: Any) -> ExifFields:
    """Fill in from LibRaw what is missing where there was no EXIF, or one without a time.

    Not for every file: the library unpacks all pixels first. 0 there means unknown; times have whole seconds.
    """
    if said.captured_s is not None:
        return said
    other, lens = raw.other, raw.lens
    clock = other.timestamp  # the camera's: LibRaw and rawpy go through the local time zone, there and back
    known: dict[str, Any] = {
        "lens": lens.model.strip() or None,
        "captured_s": clock.replace(tzinfo=UTC).timestamp() if clock.timestamp() > 0 else None,
        "focal_length_mm": _positive(other.focal_length),
        "f_number": _positive(other.aperture),
        "exposure_s": _positive(other.shutter_speed),
        "iso": round(other.iso_speed) or None if _positive(other.iso_speed) else None,
    }
    missing = {name: value for name, value in known.items() if getattr(said, name) is None}
    return replace(said, **missing)


def _positive(value: float) -> float | None:
    return float(value) if np.isfinite(value) and value > 0 else None
