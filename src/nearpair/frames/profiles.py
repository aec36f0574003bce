"""Colour profiles of frames and outputs (ICC.1:2010).

A frame without a profile is taken as sRGB (IEC 61966-2-1; Exif's usual colour space), unless its EXIF says
that it is the optional Adobe RGB file of a camera, which cameras write without a profile (CIPA DC-009 /
DCF 2.0, interoperability index "R03"; from memory). Raw frames are developed to sRGB and get its profile.
"""

import struct
from pathlib import Path
from typing import Any, TypeVar

import imagecodecs
import numpy as np
from numpy.typing import DTypeLike, NDArray

from nearpair.colour.light import decode_srgb
from nearpair.errors import FrameError
from nearpair.frames.headers import read_header

_DATE = slice(24, 36)  # six uint16: year, month, day, hour, minute, second (ICC.1:2010, section 7.2.8)
_FIXED_DATE = struct.pack(">6H", 2024, 1, 1, 0, 0, 0)  # the library writes the clock: same input, same bytes
Kind = TypeVar("Kind", np.uint8, np.uint16)

_P3_PRIMARIES = (0.680, 0.320, 0.265, 0.690, 0.150, 0.060)  # x, y of red, green, blue
_CURVE_POINTS = 1024
_SAME_LEVELS = 2  # of 255: rounding of two 8-bit conversions; other RGB spaces differ by ten and more
_ROWS_AT_ONCE = 256


def read_profile(path: Path) -> bytes | None:
    """Return the ICC profile for the RGB pixels that `read_pixels` gives for `path`, None for plain sRGB.

    A broken profile, and one for grey or CMYK (which `read_pixels` has turned into RGB), gives None. Raises
    FrameError as `read_info` does.
    """
    header = read_header(Path(path))
    if header.format == "RAW":
        return srgb_profile()
    if header.display_p3:
        return display_p3_profile()
    if header.profile is None:
        return adobe_rgb_profile() if header.exif.adobe_rgb else None
    return header.profile if _describes_rgb(header.profile) else None


def srgb_profile() -> bytes:
    """Return an sRGB profile to put into outputs; the same bytes every time."""
    return _dated(imagecodecs.cms_profile("srgb"))


def adobe_rgb_profile() -> bytes:
    """Return a profile for Adobe RGB (1998) pixels; the same bytes every time."""
    return _dated(imagecodecs.cms_profile("adobergb"))


def display_p3_profile() -> bytes:
    """Return a profile for Display P3 pixels (primaries of SMPTE RP 431-2, white D65, curve of sRGB).

    The same bytes every time. Numbers from memory; checked by what sRGB's red becomes.
    """
    curve = decode_srgb(np.linspace(0.0, 1.0, _CURVE_POINTS, dtype=np.float32))
    return _dated(
        imagecodecs.cms_profile(
            "rgb", whitepoint=(0.3127, 0.3290), primaries=_P3_PRIMARIES, transferfunction=curve
        )
    )


def is_srgb(profile: bytes | None) -> bool:
    """Tell whether pixels with `profile` may be used as sRGB as they are; None means sRGB."""
    if profile is None:
        return True
    levels = np.linspace(0, 255, 6).astype(np.uint8)
    colours = np.stack(np.meshgrid(levels, levels, levels), axis=-1).reshape(12, 18, 3)
    moved = to_srgb(colours, profile).astype(np.int16) - colours
    return int(np.abs(moved).max()) <= _SAME_LEVELS


def to_srgb(rgb: NDArray[Kind], profile: bytes | None) -> NDArray[Kind]:
    """Convert (H, W, 3) pixels with `profile` to sRGB of the same type, relative colorimetric.

    Raises FrameError if the profile cannot be used.
    """
    if profile is None:
        return rgb.copy()
    try:
        moved: Any = imagecodecs.cms_transform(
            rgb, profile, srgb_profile(), colorspace="rgb", outcolorspace="rgb"
        )
    except Exception as error:
        remedy = "Save the frames with an sRGB profile."
        raise FrameError(f"The colour profile of the frames cannot be used ({error}).", remedy) from error
    return np.asarray(moved, dtype=rgb.dtype)


def to_srgb_codes(rgb: NDArray[Any], profile: bytes | None) -> NDArray[np.uint8]:
    """Convert (H, W, 3) uint8 or uint16 pixels with `profile` to sRGB, 8 bit, as screens show it."""
    if rgb.dtype == np.uint8:
        return np.asarray(to_srgb(rgb, profile), np.uint8)
    seen = rgb if profile is None else to_srgb(rgb, profile)
    codes = np.empty(seen.shape, np.uint8)
    for top in range(0, len(seen), _ROWS_AT_ONCE):  # the larger numbers in between take memory
        rows = slice(top, top + _ROWS_AT_ONCE)
        # 65535 / 255 = 257, rounded to the nearest code
        codes[rows] = (seen[rows].astype(np.uint32) + 128) // 257
    return codes


def linear_light(profile: bytes | None, dtype: DTypeLike) -> NDArray[np.float32]:
    """Linear light of every code of pixels with `profile`, (256,) or (65536,) by `dtype`, rising from 0 to 1.

    It is read off the greys, which all channels of a camera's colour space share. Raises as `to_srgb`.
    """
    levels = int(np.iinfo(np.dtype(dtype)).max) + 1
    ramp = (np.arange(levels) * (65535 // (levels - 1))).astype(np.uint16)
    greys = np.repeat(ramp[:, None], 3, axis=1).reshape(-1, 256, 3)
    light = decode_srgb(to_srgb(greys, profile)[..., 1].reshape(-1))
    return np.maximum.accumulate(light)


def _describes_rgb(profile: bytes) -> bool:
    """Check signature, colour space and size in the header (ICC.1:2010, section 7.2)."""
    return len(profile) >= 128 and profile[36:40] == b"acsp" and profile[16:20] == b"RGB "


def _dated(profile: Any) -> bytes:
    fixed = bytearray(profile)
    fixed[_DATE] = _FIXED_DATE
    return bytes(fixed)
