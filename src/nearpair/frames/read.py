"""The pixels of a frame: RGB as stored, or a small luma for looking at many frames quickly."""

import io
import re
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, Protocol

import cv2
import imagecodecs
import numpy as np
import simplejpeg
import tifffile
from numpy.typing import NDArray
from PIL import JpegImagePlugin

from nearpair.errors import FrameError
from nearpair.frames.complaints import complaints, quiet
from nearpair.frames.formats import damaged, unreadable, unsupported
from nearpair.frames.headers import main_page
from nearpair.frames.heic import heic_pixels
from nearpair.frames.metadata import FrameInfo
from nearpair.frames.raw import develop

Pixels = NDArray[np.uint8] | NDArray[np.uint16]
Buffer = bytearray | NDArray[np.uint8]

_SAMPLING_420 = 2  # Pillow's number for chroma halved both ways
_PADDING = re.compile(r"Corrupt JPEG data: ([0-9]+) extraneous bytes before marker 0xd9")
_WRONG_PIXELS = "IDAT: incorrect data check"  # the checksum at the end of the pixels (RFC 1950, section 2.2)
_BROKEN = ("Premature end", "Corrupt JPEG data", "Inconsistent progression", "Bogus", "Unsupported marker")


class Developed(Protocol):
    """Where developed raw frames come from: see `developed.DevelopedFrames`."""

    def pixels(self, info: FrameInfo) -> NDArray[np.uint16]:
        """Return the developed frame as stored, (H, W, 3), before the orientation is applied."""


def read_pixels(
    info: FrameInfo,
    developed: Developed | None = None,
    *,
    plain_chroma: bool = False,
    into: Buffer | None = None,
) -> Pixels:
    """Return the frame as (H, W, 3) RGB, uint8 or uint16 as stored, C-contiguous, orientation applied.

    Grey is expanded, alpha is dropped, CMYK is converted without a profile. Raw frames are taken from
    `developed`, or developed now. Raises FrameError if the file is damaged, cut short, or no longer what
    `read_info` saw. plain_chroma: repeat the halved chroma of a JPEG instead of smoothing it, which is
    quicker, and exact for those who take the mean of 2 x 2 pixels again. into: memory for the pixels of a
    JPEG, at least H·W·3 bytes; the result lies in it, if it can, until it is used again.
    """
    decode = _decoder(info, developed)
    if into is not None and len(into) < 3 * info.size_px[0] * info.size_px[1]:
        into = None
    if plain_chroma and info.format == "JPEG":
        decode = partial(_jpeg, plain_chroma=True, into=into)
    stored = _decoded(info, decode)
    rgb: Any = oriented(_three_channels(info.path, stored), info.orientation)
    _check_unchanged(info, rgb)
    return np.ascontiguousarray(rgb)


def read_small(info: FrameInfo, factor: int, developed: Developed | None = None) -> NDArray[np.uint8]:
    """Return the luma (ITU-R BT.601, encoded light), (H // factor, W // factor) uint8, orientation applied.

    Each pixel is the mean of factor x factor pixels of the frame, counted from its top-left corner; rows and
    columns left over are dropped. Raises FrameError as `read_pixels` does, and if the frame is smaller than
    `factor`. A JPEG is decoded in full, luma only: scaled decoding saves less than a fifth, because most of
    the time goes into entropy decoding, and would not give the mean. A raw frame is taken from `developed`;
    without, and by an even factor, each 2 x 2 of its mosaic is averaged instead of being demosaiced.
    """
    height, width = (size // max(factor, 1) for size in info.size_px)
    if factor < 1 or not height or not width:
        found = f"{info.size_px[1]} x {info.size_px[0]} pixels"
        raise FrameError(
            f"{info.path}: {found}, too small to be reduced {factor} times.", "Leave the file out."
        )
    luma = _halved_raw_luma(info) if developed is None and factor % 2 == 0 else None
    factor //= 1 if luma is None else 2
    luma = _full_luma(info, developed) if luma is None else luma
    whole: Any = np.ascontiguousarray(luma[: height * factor, : width * factor])
    small: Any = whole if factor == 1 else cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA)
    if small.dtype == np.uint16:
        small = np.rint(small / np.float32(257.0))  # 65535 / 255
    return np.ascontiguousarray(small, dtype=np.uint8)


def has_halved_chroma(info: FrameInfo) -> bool:
    """Whether the file keeps colour at half size both ways (JPEG 4:2:0), as most cameras write it.

    Raises FrameError as `read_pixels` does.
    """
    return info.format == "JPEG" and bool(_decoded(info, _is_halved))


def oriented(stored: Pixels, orientation: int) -> Pixels:
    """Turn and mirror stored pixels (H, W) or (H, W, C) as tag 274 says (TIFF 6.0, section 8)."""
    if orientation in (5, 6, 7, 8):
        stored = stored.swapaxes(0, 1)
    rows = -1 if orientation in (3, 4, 7, 8) else 1
    columns = -1 if orientation in (2, 3, 6, 7) else 1
    return stored[::rows, ::columns]


def _decoder(info: FrameInfo, developed: Developed | None) -> Callable[[Path], Any]:
    if info.format == "RAW" and developed is not None:
        return lambda _: developed.pixels(info)
    return _DECODERS[info.format]


def _halved_raw_luma(info: FrameInfo) -> Pixels | None:
    """Return the luma of a raw frame at half size, or None where halving would not keep its grid."""
    height, width = info.size_px
    if info.format != "RAW" or height % 2 or width % 2:
        return None
    rgb: Any = oriented(_decoded(info, lambda path: develop(path, half=True)), info.orientation)
    if rgb.shape[:2] != (height // 2, width // 2):
        return None
    halved: NDArray[Any] = cv2.cvtColor(np.ascontiguousarray(rgb), cv2.COLOR_RGB2GRAY)
    return halved


def _full_luma(info: FrameInfo, developed: Developed | None) -> Pixels:
    if info.format == "JPEG":
        stored = oriented(_decoded(info, _jpeg_luma), info.orientation)
        _check_unchanged(info, stored)
        return stored
    rgb: Any = read_pixels(info, developed)
    luma: NDArray[Any] = cv2.cvtColor(rgb, cv2.COLOR_RGB2GRAY)
    return luma


def _decoded(info: FrameInfo, decode: Callable[[Path], Any]) -> Pixels:
    try:
        return np.asarray(decode(info.path))
    except FrameError:
        raise
    except OSError as error:
        raise (unreadable(info.path, error) if error.errno else damaged(info.path, error)) from error
    except MemoryError as error:
        raise FrameError(f"{info.path}: not enough memory to decode it.", "Close other programs.") from error
    except Exception as error:  # the decoders raise almost anything on damaged files
        raise damaged(info.path, error) from error


def _jpeg(path: Path, plain_chroma: bool = False, into: Buffer | None = None) -> Any:
    return _either_jpeg(_content(path), "RGB", "RGB", plain_chroma, into)


def _is_halved(path: Path) -> bool:
    with path.open("rb") as file, quiet():
        return JpegImagePlugin.get_sampling(JpegImagePlugin.JpegImageFile(file)) == _SAMPLING_420


def _jpeg_luma(path: Path) -> Any:
    luma = _either_jpeg(_content(path), "GRAY", "L")
    return luma[..., 0] if luma.ndim == 3 else luma


def _content(path: Path) -> NDArray[np.uint8]:
    """Return the bytes of a file, in an array: large ones are given memory that costs a third of others'."""
    return np.fromfile(path, np.uint8)


def _either_jpeg(
    data: NDArray[np.uint8],
    colours: str,
    mode: str,
    plain_chroma: bool = False,
    into: Buffer | None = None,
) -> Any:
    """Decode with the fast and strict decoder, or with the slow one what the fast one does not know."""
    try:
        if simplejpeg.decode_jpeg_header(data)[2] not in ("CMYK", "YCCK"):
            return _strict_jpeg(data, colours, plain_chroma, into)
        _strict_jpeg(data, "GRAY")  # finds damage that the slow decoder lets pass
    except ValueError as error:
        if str(error).startswith(_BROKEN):
            raise
    return _slow_jpeg(data.tobytes(), mode)


def _strict_jpeg(
    data: NDArray[np.uint8], colours: str, plain_chroma: bool = False, into: Buffer | None = None
) -> Any:
    """Decode; ValueError at anything wrong but padding before the end marker, which cameras write."""
    try:
        return simplejpeg.decode_jpeg(data, colours, fastupsample=plain_chroma, buffer=into)
    except ValueError as error:
        surplus = _PADDING.match(str(error))
        if not surplus or not _is_padding(data.tobytes(), int(surplus[1])):
            raise
    return simplejpeg.decode_jpeg(data, colours, fastupsample=plain_chroma, strict=False)


def _is_padding(data: bytes, count: int) -> bool:
    """Tell whether `count` equal bytes stand before the end marker: other surplus means lost data."""
    end = data.rfind(b"\xff\xd9")
    return set(data[max(end - count, 0) : end]) in ({0x00}, {0xFF})


def _slow_jpeg(data: bytes, mode: str) -> Any:
    if data.rfind(b"\xff\xd9") < data.rfind(b"\xff\xda"):  # no end of image after the last start of scan
        raise ValueError("Premature end of JPEG file")
    with quiet():
        image = JpegImagePlugin.JpegImageFile(io.BytesIO(data))
        return np.asarray(image.convert("RGB").convert(mode))


def _png(path: Path) -> Any:
    with complaints() as said:
        pixels = imagecodecs.png_decode(path.read_bytes())
    wrong = next((words for words in said if _WRONG_PIXELS in words), None)
    if wrong is not None:  # the library only warns, though the pixels are not those that were written
        raise ValueError(wrong)
    return pixels


def _tiff(path: Path) -> Any:
    with tifffile.TiffFile(path) as tif:
        page = main_page(tif)
        samples, kind = page.asarray(), tifffile.PHOTOMETRIC
        if page.planarconfig == tifffile.PLANARCONFIG.SEPARATE and samples.ndim == 3:
            samples = np.moveaxis(samples, 0, -1)
        return _tiff_colours(path, page, samples, kind)


def _tiff_colours(path: Path, page: Any, samples: Any, kind: Any) -> Any:
    if page.photometric in (kind.RGB, kind.MINISBLACK, kind.YCBCR):
        return samples
    if page.photometric == kind.MINISWHITE:
        return np.bitwise_not(samples)
    if page.photometric == kind.PALETTE:
        return (page.colormap.T[samples] >> 8).astype(np.uint8)
    if page.photometric == kind.SEPARATED and samples.ndim == 3 and samples.shape[-1] >= 4:
        return _from_cmyk(samples[..., :4])
    raise unsupported(path, f"a TIFF with colours of the kind {page.photometric!r}")


def _from_cmyk(cmyk: Any) -> Any:
    """Give RGB = (1 - C)(1 - K) and so on, without a profile (common practice, no source)."""
    top = np.iinfo(cmyk.dtype).max
    left = (top - cmyk).astype(np.float64)
    return np.rint(left[..., :3] * left[..., 3:] / top).astype(cmyk.dtype)


def _three_channels(path: Path, stored: Any) -> Pixels:
    channels = 1 if stored.ndim == 2 else stored.shape[-1]
    if stored.ndim not in (2, 3) or channels > 4 or stored.dtype not in (np.uint8, np.uint16):
        raise unsupported(path, f"a picture of shape {stored.shape} and type {stored.dtype}")
    if channels < 3:  # grey, with or without alpha
        return np.repeat(stored.reshape(*stored.shape[:2], -1)[..., :1], 3, axis=2)
    return np.asarray(stored[..., :3])


def _check_unchanged(info: FrameInfo, pixels: Pixels) -> None:
    found, expected = (*pixels.shape[:2], pixels.dtype.itemsize * 8), (*info.size_px, info.bits)
    if found != expected:
        said = "{1} x {0} pixels of {2} bits".format
        raise FrameError(
            f"{info.path}: {said(*found)}, but its header gave {said(*expected)}.",
            "Do not change frames during a run; run again.",
        )


_DECODERS: dict[str, Callable[[Path], Any]] = {
    "JPEG": _jpeg,
    "PNG": _png,
    "TIFF": _tiff,
    "HEIC": heic_pixels,
    "RAW": develop,
}
