"""Picture files as cards really hold them when something went wrong: valid small ones, spoilt by a seed.

Each case is one file; the same seed gives the same bytes. What a case is says nothing about whether it can be
used: a flipped bit in a comment hurts nobody. What must hold for all: used, or refused with a reason; never a
traceback, never endless.
"""

import io
import random
import struct
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import tifffile
from PIL import Image

from nearpair.frames.multipicture import multipicture
from support.dng import write_dng
from support.structures import spoil_boxes, spoil_directories, spoil_segments
from support.tiny import SCENES

_WIDEST = 65535


@dataclass(frozen=True)
class Case:
    """One spoilt file: how it is called, what was done to it, and its content."""

    name: str
    what: str
    content: bytes


def cases(count: int, seed: int, scratch: Path) -> list[Case]:
    """`count` cases; scratch: an empty folder for files that libraries only write to disk."""
    valid = list(_valid(scratch).items())
    rng = random.Random(seed)  # noqa: S311 - the cases shall be the same again
    made = [
        Case(_name(rng, index, suffix), what, content) for index, (suffix, what, content) in enumerate(_odd())
    ]
    for index in range(len(made), count):
        suffix, content = valid[index % len(valid)]
        how = _SPOILERS[rng.randrange(len(_SPOILERS))]
        what = f"{how.__name__.strip('_').replace('_', ' ')}, {suffix}"
        made.append(Case(_name(rng, index, suffix.split("-")[-1]), what, how(rng, content)))
    return made[:count]


def lying(count: int, seed: int, scratch: Path) -> list[Case]:
    """`count` raw, HEIC, JPEG and TIFF files whose structure lies; scratch: as for `cases`."""
    rng = random.Random(seed)  # noqa: S311 - the cases shall be the same again
    valid = [
        (suffix, content, spoil)
        for suffix, content in {**_valid(scratch), **_raws(scratch)}.items()
        for kind, spoil in _LIARS.items()
        if suffix.endswith(kind) and not suffix.startswith("big")
    ]
    made = []
    for index in range(count):
        suffix, content, spoil = valid[index % len(valid)]
        data = bytearray(content)
        whats = [spoil(rng, data) for _ in range(rng.choice((1, 1, 2)))]
        name = _name(rng, index, suffix.split("-")[-1])
        made.append(Case(name, f"{', '.join(whats)}; {suffix}", bytes(data)))
    return made


_LIARS = {".dng": spoil_directories, ".heic": spoil_boxes, ".jpg": spoil_segments, ".tif": spoil_directories}


def put(folder: Path, made: list[Case]) -> list[Path]:
    """Write the cases into a folder, between links that lead round in circles, and return the files."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "round").symlink_to(folder, target_is_directory=True)
    (folder / "loop.jpg").symlink_to(folder / "loop.jpg")
    (folder / "nowhere.jpg").symlink_to(folder / "missing.jpg")
    files = [folder / case.name for case in made]
    for file, case in zip(files, made, strict=True):
        file.write_bytes(case.content)
    return files


# what is valid to begin with


def _scene() -> np.ndarray:
    """A frame of the stacks that `support.tiny.shells` makes, so that the spoilt ones may fit in there."""
    with Image.open(next(iter(sorted((SCENES / "shells" / "left").iterdir())))) as picture:
        return np.asarray(picture.reduce(2))


def exif_of(orientation: int = 1) -> Image.Exif:
    exif = Image.Exif()
    exif[0x010F], exif[0x0112], exif[0x0132] = "Maker", orientation, "2024:05:06 07:08:09"
    exif.get_ifd(0x8769).update({0x9003: "2024:05:06 07:08:09", 0x829D: 2.8, 0x8827: 200, 0x9291: "25"})
    return exif


def _saved(picture: Image.Image, kind: str, **options: object) -> bytes:
    file = io.BytesIO()
    picture.save(file, kind, **options)
    return file.getvalue()


def _jpeg(picture: Image.Image | None = None, **options: object) -> bytes:
    return _saved(
        picture or Image.fromarray(_scene()), "JPEG", **{"quality": 90, "exif": exif_of(), **options}
    )


def _tiff(pixels: np.ndarray, **options: object) -> bytes:
    file = io.BytesIO()
    tifffile.imwrite(file, pixels, photometric="rgb", **options)
    return file.getvalue()


@cache
def _valid(scratch: Path) -> dict[str, bytes]:
    scratch.mkdir(parents=True, exist_ok=True)
    scene = _scene()
    deep = scene.astype(np.uint16) * 257
    found = {
        ".jpg": _jpeg(),
        "progressive-.jpg": _jpeg(progressive=True),
        ".png": _saved(Image.fromarray(scene), "PNG", exif=exif_of()),
        "eight-.tif": _saved(Image.fromarray(scene), "TIFF", exif=exif_of()),
        "sixteen-.tif": _tiff(deep, compression="zlib"),
        "tiled-.tif": _tiff(deep, tile=(16, 16)),
        "big-.tif": _tiff(scene, bigtiff=True),
        ".dng": write_dng(scratch / "valid.dng", scene / 255.0).read_bytes(),
        "pair-.jpg": multipicture(_jpeg(), _jpeg(), 6.5),
    }
    try:
        import pillow_heif
    except ImportError:
        return found
    file = io.BytesIO()
    pillow_heif.from_pillow(Image.fromarray(scene)).save(file, quality=80)
    return {**found, ".heic": file.getvalue()}


@cache
def _raws(scratch: Path) -> dict[str, bytes]:
    """Raw files of several layouts: that of `_valid` has strips in its first directory."""
    scene = _scene() / 255.0
    below = {274: ("H", 1, 1)}
    made = {
        "tiled-.dng": write_dng(scratch / "tiled.dng", scene, tile=(64, 64)),
        "below-.dng": write_dng(scratch / "below.dng", scene, tags=below, preview=_scene()[::4, ::4]),
        "both-.dng": write_dng(scratch / "both.dng", scene, tile=(64, 64), preview=_scene()[::4, ::4]),
    }
    return {suffix: file.read_bytes() for suffix, file in made.items()}


# what is odd though no byte is wrong


def _odd() -> list[tuple[str, str, bytes]]:
    scene, wide = _scene(), np.zeros((2, _WIDEST, 3), np.uint8)
    picture = Image.fromarray(scene)
    dot = Image.new("RGB", (1, 1), "red")
    odd = [
        (".jpg", "CMYK", _jpeg(picture.convert("CMYK"))),
        (".tif", "CMYK", _saved(picture.convert("CMYK"), "TIFF")),
        (".jpg", "grey", _jpeg(picture.convert("L"))),
        (".png", "grey with alpha", _saved(picture.convert("LA"), "PNG")),
        (".png", "alpha", _saved(picture.convert("RGBA"), "PNG")),
        (".tif", "alpha", _saved(picture.convert("RGBA"), "TIFF")),
        (".png", "palette", _saved(picture.convert("P"), "PNG")),
        (".png", "one bit", _saved(picture.convert("1"), "PNG")),
        (".tif", "one bit", _saved(picture.convert("1"), "TIFF")),
        (".tif", "Lab", _saved(picture.convert("LAB"), "TIFF", icc_profile=b"")),
        (".tif", "float", _tiff(scene.astype(np.float32) / 255)),
        (".tif", "32 bits", _tiff(scene.astype(np.uint32))),
        (".tif", "several pages", _tiff(np.stack([scene] * 3))),
        (".jpg", "1 x 1", _jpeg(dot)),
        (".png", "1 x 1", _saved(dot, "PNG")),
        (".tif", "1 x 1", _saved(dot, "TIFF")),
        (".png", "65,535 px wide", _saved(Image.fromarray(wide), "PNG")),
        (".tif", "65,535 px wide", _tiff(wide)),
        (".jpg", "says 65,535 px wide", _jpeg_of_size(_jpeg(), 40, _WIDEST)),
        (".jpg", "says 65,535 px square", _jpeg_of_size(_jpeg(), _WIDEST, _WIDEST)),
        (".jpg", "says 0 px", _jpeg_of_size(_jpeg(), 0, 0)),
        (".png", "says 2 Gpx wide", _png_of_size(2**31 - 1, 2**31 - 1)),
        (".png", "says 390 Mpx", _png_of_size(19500, 20000)),
        (".tif", "directory that leads to itself", _circular_tiff()),
        (".tif", "EXIF directory that is the first", _nested_tiff()),
        (".png", "bomb in a text", _png_bomb()),
        (".jpg", "text", b"no picture at all"),
        *((suffix, "0 bytes", b"") for suffix in (".jpg", ".png", ".tif", ".heic", ".dng", ".cr3")),
        *((suffix, "zeros", bytes(4096)) for suffix in (".jpg", ".png", ".tif", ".heic", ".dng", ".cr3")),
        *((".jpg", f"orientation {turn}", _jpeg(exif=exif_of(turn))) for turn in (0, 3, 6, 8, 9, 65535)),
    ]
    starts = {".jpg": b"\xff\xd8\xff", ".png": b"\x89PNG\r\n\x1a\n", ".tif": b"II*\0", ".heic": _HEIC_START}
    odd += [(suffix, "first bytes only", start) for suffix, start in starts.items()]
    return odd


_HEIC_START = struct.pack(">I", 24) + b"ftypheic" + bytes(4) + b"mif1heic"


def _jpeg_of_size(jpeg: bytes, height: int, width: int) -> bytes:
    """Let the frame header (T.81, B.2.2) say another size."""
    at = next(jpeg.index(mark) for mark in (b"\xff\xc0", b"\xff\xc2") if mark in jpeg)
    return jpeg[: at + 5] + struct.pack(">HH", height, width) + jpeg[at + 9 :]


def _chunk(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))


def _png_of_size(width: int, height: int) -> bytes:
    head = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    body = _chunk(b"IDAT", zlib.compress(bytes(1000)))
    return b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", head) + body + _chunk(b"IEND", b"")


def _png_bomb() -> bytes:
    """A compressed profile of 100 MB in a few kB."""
    png = _saved(Image.fromarray(_scene()), "PNG")
    content = b"icc\0\0" + zlib.compress(bytes(100_000_000))
    return png[:33] + _chunk(b"iCCP", content) + png[33:]


def _circular_tiff() -> bytes:
    data = bytearray(_saved(Image.fromarray(_scene()), "TIFF"))
    first = struct.unpack_from("<I", data, 4)[0]
    tags = struct.unpack_from("<H", data, first)[0]
    struct.pack_into("<I", data, first + 2 + 12 * tags, first)
    return bytes(data)


def _nested_tiff() -> bytes:
    """The EXIF pointer leads back to the directory it stands in."""
    data = bytearray(_saved(Image.fromarray(_scene()), "TIFF", exif=exif_of()))
    first = struct.unpack_from("<I", data, 4)[0]
    for number in range(struct.unpack_from("<H", data, first)[0]):
        at = first + 2 + 12 * number
        if struct.unpack_from("<H", data, at)[0] == 0x8769:
            struct.pack_into("<I", data, at + 8, first)
    return bytes(data)


# what a seed does to a valid file


def _cut_short(rng: random.Random, data: bytes) -> bytes:
    return data[: rng.randrange(len(data))]


def _bits_flipped(rng: random.Random, data: bytes) -> bytes:
    out = bytearray(data)
    for _ in range(rng.choice((1, 4, 40))):
        out[rng.randrange(len(out))] ^= 1 << rng.randrange(8)
    return bytes(out)


def _header_bytes_changed(rng: random.Random, data: bytes) -> bytes:
    """Sizes, offsets and counts stand near the ends of a file; these values are the ones that hurt."""
    out = bytearray(data)
    reach = min(600, len(out) - 8)
    for _ in range(rng.choice((1, 2, 6))):
        at = rng.randrange(reach) if rng.random() < 0.7 else len(out) - 8 - rng.randrange(reach)
        value = rng.choice((0, 1, 0x7FFF, 0xFFFF, 0x7FFFFFFF, 0xFFFFFFFF, at, len(out), rng.getrandbits(32)))
        order, size = rng.choice("<>"), rng.choice((1, 2, 4))
        whole = struct.pack(f"{order}I", value)
        out[at : at + size] = whole[:size] if order == "<" else whole[-size:]
    return bytes(out)


def _piece_repeated(rng: random.Random, data: bytes) -> bytes:
    start, length = rng.randrange(len(data)), rng.randrange(1, 400)
    return data[:start] + data[start : start + length] * rng.choice((2, 3, 200)) + data[start + length :]


def _piece_lost(rng: random.Random, data: bytes) -> bytes:
    start = rng.randrange(len(data))
    return data[:start] + data[start + rng.randrange(1, 400) :]


def _piece_of_zeros(rng: random.Random, data: bytes) -> bytes:
    """A lost block of the card reads as zeros."""
    start, length = rng.randrange(len(data)), rng.choice((16, 512, 4096))
    length = min(length, len(data) - start)
    return data[:start] + bytes(length) + data[start + length :]


def _something_behind(rng: random.Random, data: bytes) -> bytes:
    return data + rng.randbytes(rng.randrange(1, 3000))


_SPOILERS: tuple[Callable[[random.Random, bytes], bytes], ...] = (
    _cut_short,
    _bits_flipped,
    _header_bytes_changed,
    _header_bytes_changed,
    _piece_repeated,
    _piece_lost,
    _piece_of_zeros,
    _something_behind,
)

_WORDS = (
    "IMG",
    "крупно",
    "貝殻",
    "صدفة",
    "a\nb",
    "tab\there",
    "é",
    "e\u0301",
    "100%",
    "{x}",
    "'q\"",
    " ",
    "[b]",
)


def _name(rng: random.Random, index: int, suffix: str) -> str:
    return f"{_WORDS[rng.randrange(len(_WORDS))]}{index:04d}{suffix}"
