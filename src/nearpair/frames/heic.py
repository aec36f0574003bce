"""HEIC frames (ISO/IEC 23008-12), read through pillow-heif, which comes with the extra `nearpair[heic]`.

8 bits stay 8 bits; 10 and 12 bits become 16 bits, scaled so that white stays white. The file turns its
picture itself (properties irot and imir, section 6.5 there); the EXIF orientation beside them is information
only and is not applied a second time. Colours by number (nclx): Recommendation ITU-T H.273, tables 2 and 3;
numbers from memory.
"""

from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearpair.frames.complaints import quiet
from nearpair.frames.exif import ExifFields, from_block
from nearpair.frames.formats import damaged, needs_extra, unsupported

_P3 = 12  # colour primaries: Display P3 (SMPTE EG 432-1)
_SDR_PRIMARIES = (1, 2, 5, 6, _P3)  # sRGB, not said, and the two television ones that differ little from sRGB
_HDR = {16: "PQ", 18: "HLG"}
_DEEP_BITS = (10, 12)


@dataclass(frozen=True, slots=True)
class HeicHeader:
    """What the header says; `size_px` is (height, width) as it is seen, already turned."""

    size_px: tuple[int, int]
    bits: int
    exif: ExifFields
    profile: bytes | None
    display_p3: bool


def heic_header(path: Path) -> HeicHeader:
    """Read the header of the primary picture. Raises FrameError without the extra, or for HDR colours."""
    picture = _opened(path)
    coded = picture.info.get("nclx_profile") or {}
    transfer, primaries = coded.get("transfer_characteristics", 2), coded.get("color_primaries", 2)
    profile = picture.info.get("icc_profile")
    if not profile and transfer in _HDR:
        raise unsupported(path, f"a HEIC in HDR ({_HDR[transfer]})")
    if not profile and primaries not in _SDR_PRIMARIES:
        raise unsupported(path, f"a HEIC with colours of the kind {primaries} (ITU-T H.273)")
    width, height = picture.size
    bits = 16 if int(picture.info["bit_depth"]) in _DEEP_BITS else 8
    exif = replace(from_block(picture.info.get("exif")), orientation=1)
    return HeicHeader((height, width), bits, exif, profile or None, not profile and primaries == _P3)


def heic_pixels(path: Path) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """Return the primary picture: (H, W) or (H, W, C), uint8, or uint16 for 10 and 12 bits."""
    picture = _opened(path)
    values: NDArray[Any] = np.asarray(picture)
    if values.dtype != np.uint16:
        return values
    top = (1 << int(picture.info["bit_depth"])) - 1
    table = np.rint(np.arange(top + 1) * (65535 / top)).astype(np.uint16)
    return np.asarray(table[np.minimum(values, top)])


def _opened(path: Path) -> Any:
    """Open the file; nothing is decoded yet."""
    try:
        import pillow_heif
    except ImportError as error:
        raise needs_extra(path, "HEIC files", "heic", "convert the frames to JPEG or 16-bit TIFF") from error
    try:
        with quiet():
            return pillow_heif.open_heif(path, convert_hdr_to_8bit=False, hdr_to_16bit=False)
    except (ValueError, EOFError, SyntaxError, RuntimeError) as error:
        raise damaged(path, str(error).strip().split("\n")[0]) from error
