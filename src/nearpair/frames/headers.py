"""The header of a frame: size, bits, metadata, colour profile. No pixels are decoded."""

import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import BinaryIO

import tifffile
from PIL import JpegImagePlugin

from nearpair.errors import FrameError
from nearpair.frames.complaints import quiet
from nearpair.frames.exif import ExifFields, from_block, from_tiff, valid_orientation
from nearpair.frames.formats import MAX_PIXELS, damaged, sniff, unreadable, unsupported
from nearpair.frames.heic import heic_header
from nearpair.frames.raw import BITS, each_once, raw_header

_MAX_BLOCK_BYTES = 64 << 20  # no camera writes metadata of this size; a longer one is left alone
_RAW_PHOTOMETRIC = (32803, 34892)  # colour filter array, linear raw (TIFF/EP, DNG)


@dataclass(frozen=True, slots=True)
class Header:
    """What the header says; `stored_px` is (height, width) as stored, before the orientation is applied.

    `display_p3`: the pixels have these primaries, and the file holds no profile that says so.
    """

    format: str
    size_bytes: int
    stored_px: tuple[int, int]
    bits: int
    exif: ExifFields = field(default_factory=ExifFields)
    profile: bytes | None = None
    display_p3: bool = False


def read_header(path: Path) -> Header:
    """Read the header of the file at `path`; FrameError says what is wrong with it."""
    kind, size = sniff(path)
    reader: Callable[[Path, BinaryIO, int], Header] = _READERS[kind]
    try:
        with path.open("rb") as file:
            return reader(path, file, size)
    except FrameError:
        raise
    except OSError as error:
        raise (unreadable(path, error) if error.errno else damaged(path, error)) from error
    except Exception as error:
        raise damaged(path, error) from error


def main_page(tif: tifffile.TiffFile) -> tifffile.TiffPage:
    """Return the first page that is not a reduced copy of another (TIFF 6.0, tag 254, bit 0)."""
    full = (page for page in each_once(tif.pages) if not int(page.tags.valueof(254, 0)) & 1)
    return next(full, tif.pages[0])


def _jpeg(path: Path, file: BinaryIO, size: int) -> Header:
    with quiet():  # the class itself, not Image.open: that has a limit of its own and warns
        image = JpegImagePlugin.JpegImageFile(file)
    exif, profile = image.info.get("exif"), image.info.get("icc_profile")
    if image.bits != 8:
        raise unsupported(path, f"a JPEG of {image.bits} bits")
    return Header("JPEG", size, (image.height, image.width), 8, from_block(exif), profile)


def _png(path: Path, file: BinaryIO, size: int) -> Header:
    """Walk over the chunks (W3C PNG, section 5.3); the metadata may also stand after the pixels."""
    blocks: dict[bytes, bytes] = {}
    file.seek(8)
    while b"IEND" not in blocks:
        head = file.read(8)
        if len(head) < 8:
            raise damaged(path, "the end of the file is missing")
        length, kind = struct.unpack(">I4s", head)
        wanted = kind in (b"IHDR", b"eXIf", b"iCCP", b"IEND") and length <= _MAX_BLOCK_BYTES
        blocks.setdefault(kind, file.read(length) if wanted else b"")
        file.seek(4 if wanted else length + 4, 1)
    if file.tell() > size:
        raise damaged(path, "the end of the file is missing")
    width, height, bits = struct.unpack(">IIB", blocks[b"IHDR"][:9])
    exif, profile = from_block(blocks.get(b"eXIf")), _png_profile(blocks.get(b"iCCP"))
    return Header("PNG", size, (height, width), 16 if bits == 16 else 8, exif, profile)


def _png_profile(block: bytes | None) -> bytes | None:
    """Return the profile in an iCCP chunk: name, zero, compression method, zlib stream (W3C PNG, 11.3)."""
    if not block:
        return None
    try:
        return zlib.decompressobj().decompress(block.split(b"\0", 1)[1][1:], _MAX_BLOCK_BYTES)
    except (zlib.error, IndexError):
        return None


def _tiff(path: Path, file: BinaryIO, size: int) -> Header:
    with tifffile.TiffFile(file) as tif:
        page = main_page(tif)
        _check_tiff(path, page, size)
        profile = page.tags.valueof(34675)
        stored = (int(page.imagelength), int(page.imagewidth))
        bits = int(page.bitspersample)
        orientation = valid_orientation(page.tags.valueof(274))
        exif = replace(from_tiff(file), orientation=orientation)  # the page that is read may not be the first
        return Header("TIFF", size, stored, bits, exif, bytes(profile) if profile else None)


def _check_tiff(path: Path, page: tifffile.TiffPage, size: int) -> None:
    if not page.imagewidth or not page.imagelength:
        raise damaged(path, "it does not say how large the picture is")
    if int(page.photometric) in _RAW_PHOTOMETRIC:
        raise unsupported(path, "a raw file in a TIFF wrapper")
    if page.bitspersample not in (8, 16) or page.dtype is None or page.dtype.kind != "u":
        raise unsupported(path, f"a TIFF of {page.bitspersample} bits per channel ({page.dtype})")
    if page.tilewidth * page.tilelength > MAX_PIXELS:
        raise unsupported(path, f"a TIFF with tiles of {page.tilewidth} x {page.tilelength} pixels")
    if page.imagedepth != 1 or page.samplesperpixel > 5:
        raise unsupported(path, f"a TIFF of {page.samplesperpixel} channels and depth {page.imagedepth}")
    ends = [offset + count for offset, count in zip(page.dataoffsets, page.databytecounts, strict=True)]
    if not ends or max(ends) > size or min(page.databytecounts) < 1:
        raise damaged(path, "part of the pixels is missing")


def _heic(path: Path, file: BinaryIO, size: int) -> Header:  # noqa: ARG001 - the library opens the file itself
    found = heic_header(path)
    return Header("HEIC", size, found.size_px, found.bits, found.exif, found.profile, found.display_p3)


def _raw(path: Path, file: BinaryIO, size: int) -> Header:
    stored_px, exif = raw_header(path, file, size)
    return Header("RAW", size, stored_px, BITS, exif)


_READERS: dict[str, Callable[[Path, BinaryIO, int], Header]] = {
    "JPEG": _jpeg,
    "PNG": _png,
    "TIFF": _tiff,
    "HEIC": _heic,
    "RAW": _raw,
}
