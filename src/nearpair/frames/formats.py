"""Which file formats can be frames, and plain sentences for those that cannot.

The first bytes decide, never the file name: JPEG (ITU-T T.81, marker SOI), PNG (W3C PNG, section 5.2), TIFF
(TIFF 6.0, section 2; also BigTIFF). Raw files that are TIFF inside are told by their name or by the signature
of their maker.
"""

import stat
from pathlib import Path

from nearpair.errors import FrameError

MAX_PIXELS = 400_000_000
"""The largest frame that is decoded, in pixels: 1.2 GB at 8 bits, 2.4 GB at 16 bits. Our own limit."""

MAX_FILE_BYTES = 4 << 30
"""The largest file that is read: a frame of MAX_PIXELS, uncompressed. Our own limit."""

SUFFIXES = frozenset({".jpg", ".jpeg", ".jpe", ".png", ".tif", ".tiff"})
"""File names that are looked at as frames, in lower case."""

HEIC_SUFFIXES = frozenset({".heic", ".heif", ".hif", ".avif"})
RAW_SUFFIXES = frozenset(
    f".{suffix}"
    for suffix in (
        *("3fr", "arw", "cr2", "cr3", "crw", "dng", "erf", "fff", "iiq", "kdc", "mef", "mos", "mrw", "nef"),
        *("nrw", "orf", "pef", "raf", "raw", "rw2", "rwl", "sr2", "srf", "srw", "x3f"),
    )
)

_WORKING = "Frames can be JPEG, PNG or TIFF (8 or 16 bits)."
_COPY_AGAIN = "Copy the file from the card again, or leave it out."
_CONVERT_RAW = (
    f"{_WORKING} Develop the raw frames of both eyes with the same settings to 16-bit TIFF or JPEG."
)
_CONVERT_HEIC = f"{_WORKING} Set the camera to JPEG, or convert the frames to JPEG or 16-bit TIFF."

_RAW_MAGIC = (b"FUJIFILMCCD-RAW", b"IIRO", b"IIRS", b"MMOR", b"IIU\0", b"FOVb", b"\0MRM")
_TIFF_MAGIC = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_HEIC_BRANDS = frozenset(
    {b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"mif1", b"msf1", b"avif", b"avis"}
)


def sniff(path: Path) -> tuple[str, int]:
    """Return the format ("JPEG", "PNG" or "TIFF") and the size in bytes of the file at `path`.

    Raises FrameError for anything that is not a regular, readable file of a supported format.
    """
    start, size = _first_bytes(path)
    if not size:
        raise FrameError(f"{path}: the file is empty (0 bytes).", _COPY_AGAIN)
    if size > MAX_FILE_BYTES:
        raise FrameError(
            f"{path}: {size / 1e9:.0f} GB are more than a frame can have.", "Leave the file out."
        )
    if start.startswith(b"\xff\xd8\xff"):
        return "JPEG", size
    if start.startswith(b"\x89PNG\r\n\x1a\n"):
        return "PNG", size
    _refuse_raw_and_heic(path, start)
    if start.startswith(_TIFF_MAGIC):
        return "TIFF", size
    raise FrameError(f"{path}: this is not a picture file that can be read.", f"{_WORKING} {_COPY_AGAIN}")


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


def unreadable(path: Path, error: OSError) -> FrameError:
    """Return the error for a file that the system refuses to open or read."""
    reason = error.strerror or str(error)
    return FrameError(
        f"{path}: cannot be read ({reason}).", "Check that the card is in and the file may be read."
    )


def unsupported(path: Path, found: str) -> FrameError:
    """Return the error for a variant of a format that cannot be a frame."""
    return FrameError(
        f"{path}: {found} cannot be read.", f"{_WORKING} Save the frames again as one of these."
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


def _refuse_raw_and_heic(path: Path, start: bytes) -> None:
    suffix, brand = path.suffix.lower(), start[8:12] if start[4:8] == b"ftyp" else b""
    is_raw = (
        suffix in RAW_SUFFIXES or start.startswith(_RAW_MAGIC) or start[8:10] == b"CR" or brand == b"crx "
    )
    if is_raw:
        raise FrameError(f"{path}: raw files cannot be read.", _CONVERT_RAW)
    if suffix in HEIC_SUFFIXES or brand in _HEIC_BRANDS:
        raise FrameError(f"{path}: HEIC files cannot be read.", _CONVERT_HEIC)
