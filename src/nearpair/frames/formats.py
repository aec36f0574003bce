"""Which file formats can be frames, and plain sentences for those that cannot.

The first bytes decide, never the file name: JPEG (ITU-T T.81, marker SOI), PNG (W3C PNG, section 5.2), TIFF
(TIFF 6.0, section 2; also BigTIFF), HEIC (ISO/IEC 23008-12, brands in the first box). Raw files that are TIFF
inside are told by their name or by the signature of their maker.
"""

import errno
import os
import stat
from pathlib import Path

from nearpair.errors import FrameError, GoneError, UnreadableError

MAX_PIXELS = 400_000_000
"""The largest frame that is decoded, in pixels: 1.2 GB at 8 bits, 2.4 GB at 16 bits. Our own limit."""

MAX_FILE_BYTES = 4 << 30
"""The largest file that is read: a frame of MAX_PIXELS, uncompressed. Our own limit."""

HEIC_SUFFIXES = frozenset({".heic", ".heif", ".hif"})
RAW_SUFFIXES = frozenset(
    f".{suffix}"
    for suffix in (
        *("3fr", "arw", "cr2", "cr3", "crw", "dng", "erf", "fff", "iiq", "kdc", "mef", "mos", "mrw", "nef"),
        *("nrw", "orf", "pef", "raf", "raw", "rw2", "rwl", "sr2", "srf", "srw", "x3f"),
    )
)
SUFFIXES = frozenset({".jpg", ".jpeg", ".jpe", ".png", ".tif", ".tiff"}) | HEIC_SUFFIXES | RAW_SUFFIXES
"""File names that are looked at as frames, in lower case."""

# what systems say when a disk is taken away under them; a file that is just missing is looked for
_GONE = frozenset({errno.ENODEV, errno.ENXIO, errno.ESTALE, errno.ENOTCONN})

_WORKING = "Frames can be JPEG, PNG, TIFF (8 or 16 bits), HEIC or raw files."
_COPY_AGAIN = "Copy the file from the card again, or leave it out."

_RAW_MAGIC = (b"FUJIFILMCCD-RAW", b"IIRO", b"IIRS", b"MMOR", b"IIU\0", b"FOVb", b"\0MRM")
TIFF_MAGIC = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_HEIC_BRANDS = frozenset({b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"mif1", b"msf1"})
_AVIF_BRANDS = frozenset({b"avif", b"avis"})


def sniff(path: Path) -> tuple[str, int]:
    """Return the format (JPEG, PNG, TIFF, HEIC or RAW) and the size in bytes of the file at `path`.

    Raises FrameError for anything that is not a regular, readable file of a supported format.
    """
    start, size = _first_bytes(path)
    if not size:
        raise FrameError(f"{path}: the file is empty (0 bytes).", _COPY_AGAIN)
    if size > MAX_FILE_BYTES:
        raise FrameError(
            f"{path}: {size / 1e9:.0f} GB are more than a frame can have.", "Leave the file out."
        )
    kind = _kind(path, start)
    if kind is None:
        raise FrameError(f"{path}: this is not a picture file that can be read.", f"{_WORKING} {_COPY_AGAIN}")
    return kind, size


def refuse_large(path: Path, size_px: tuple[int, int]) -> None:
    """Raise FrameError if a frame of `size_px` (height, width) is empty or above MAX_PIXELS."""
    height, width = size_px
    if height < 1 or width < 1:
        raise FrameError(f"{path}: the file says it is {width} x {height} pixels.", _COPY_AGAIN)
    if height * width > MAX_PIXELS:
        found = f"{width} x {height} pixels ({height * width / 1e6:.0f} megapixels)"
        limit = f"the limit is {MAX_PIXELS // 1_000_000} megapixels"
        raise FrameError(
            f"{path}: {found}; {limit}.", "Make the frames of all stacks smaller by the same factor."
        )


def damaged(path: Path, reason: object) -> FrameError:
    """Return the error for a file that is cut short or broken inside."""
    return FrameError(f"{path}: the picture is damaged or cut short ({reason}).", _COPY_AGAIN)


def unreadable(path: Path, error: OSError) -> UnreadableError:
    """Return the error for a file that the system refuses to open or read; GoneError if it is not there."""
    reason = f"{path}: cannot be read ({error.strerror or error})."
    if error.errno in _GONE or not os.path.lexists(path):
        remedy = "Check that the card is in and the file is still there, then run again: nothing is lost."
        return GoneError(reason, remedy)
    return UnreadableError(reason, "Check that the card is in and the file may be read.")


def unsupported(path: Path, found: str) -> FrameError:
    """Return the error for a variant of a format that cannot be a frame."""
    return FrameError(
        f"{path}: {found} cannot be read.", f"{_WORKING} Save the frames again as one of these."
    )


def needs_extra(path: Path, what: str, extra: str, otherwise: str) -> FrameError:
    """Return the error for a file whose library is an extra that is not installed."""
    return FrameError(
        f"{path}: reading {what} needs an extra that is not installed.",
        f"Install it with `pip install 'nearpair[{extra}]'`, or {otherwise}.",
    )


def _first_bytes(path: Path) -> tuple[bytes, int]:
    try:
        status = path.stat()
        if not stat.S_ISREG(status.st_mode):  # a pipe would hang, a device never ends
            raise FrameError(
                f"{path}: this is not a file.", "Point at the frames or at the folder that holds them."
            )
        with path.open("rb") as file:
            return file.read(32), status.st_size
    except OSError as error:
        raise unreadable(path, error) from error


def _kind(path: Path, start: bytes) -> str | None:
    """Return the format by the first bytes; by the name only where raw files look like TIFF."""
    if start.startswith(b"\xff\xd8\xff"):
        return "JPEG"
    if start.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG"
    brand = start[8:12] if start[4:8] == b"ftyp" else b""
    if brand in _AVIF_BRANDS:
        raise unsupported(path, "an AVIF file")
    if brand in _HEIC_BRANDS:
        return "HEIC"
    is_raw = start.startswith(_RAW_MAGIC) or start[8:10] == b"CR" or brand == b"crx "
    if is_raw or path.suffix.lower() in RAW_SUFFIXES:
        return "RAW"
    return "TIFF" if start.startswith(TIFF_MAGIC) else None
