"""HEIF files that hold both pictures of a pair and say so: the stereo pair entity group of ISO/IEC 23008-12.

libheif, through pillow-heif (the extra `nearpair[heic]`), codes the two pictures (HEVC, ITU-T H.265) and
writes the file; it has no way to group them. So the box `grpl` with its entity group `ster` is put in here:
the first entity of the group is the left eye's picture, the second the right eye's. Boxes, `iloc` and
`grpl`: ISO/IEC 14496-12; layouts as readers of the format have them, the group's number beside all item
numbers and the order of its entities from memory.
"""

import io
import struct
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearpair.errors import NearpairError
from nearpair.frames.carried import Carried

_FULL = 4  # bytes of version and flags
_IN_FILE = 0  # construction method: offsets count from the beginning of the file


@dataclass(frozen=True, slots=True)
class _Box:
    """A box within some bytes: its kind, where it begins, where its content begins, and where it ends."""

    kind: bytes
    start: int
    content: int
    end: int


def need_heif() -> None:
    """Raise NearpairError that says what to install, if HEIF cannot be written."""
    try:
        import pillow_heif  # noqa: F401
    except ImportError as error:
        remedy = 'Install it with: pip install "nearpair[heic]"'
        raise NearpairError("HEIF files need the extra `heic`, which is not installed.", remedy) from error


def stereo_heif(
    left: NDArray[np.uint8],
    right: NDArray[np.uint8],
    quality: int,
    profile: bytes | None,
    carried: Carried,
) -> bytes:
    """Both pictures, (H, W, 3) uint8 of one size, in one file; programs that know no pairs show the left one.

    Colours are coded at half resolution, because decoders in phones take nothing else. Raises NearpairError
    without the extra.
    """
    need_heif()
    import pillow_heif
    from PIL import Image

    options = {"icc_profile": profile, "exif": carried.exif, "xmp": carried.xmp}
    file = pillow_heif.HeifFile()  # type: ignore[no-untyped-call]
    for view in (left, right):
        picture = Image.fromarray(view)
        picture.info |= {name: value for name, value in options.items() if value}
        file.add_from_pillow(picture)
    written = io.BytesIO()
    file.save(written, quality=quality, chroma=420, primary_index=0, save_all=True)
    return grouped(written.getvalue())


def grouped(heif: bytes) -> bytes:
    """A HEIF file of two pictures, made a stereo pair of them in the order in which they lie in it.

    Raises ValueError if it does not hold just two pictures, or boxes that are not understood.
    """
    meta = _only(_boxes(heif, 0, len(heif)), b"meta")
    inside = _boxes(heif, meta.content + _FULL, meta.end)
    if any(box.kind == b"grpl" for box in inside):
        raise ValueError("the file groups its pictures already")
    items = _items(heif, _only(inside, b"iinf"))
    pictures = [number for number, kind in items if kind == b"hvc1"]
    if len(pictures) != 2:
        raise ValueError(f"a stereo pair is made of two pictures, found {len(pictures)}")
    group = 1 + max(number for number, _ in items)
    ster = _box(b"ster", struct.pack(">LLLLL", 0, group, 2, *pictures))
    grpl = _box(b"grpl", ster)
    out = bytearray(heif)
    _move(out, _only(inside, b"iloc"), meta.end, len(grpl))
    out[meta.start : meta.start + 4] = struct.pack(">L", meta.end - meta.start + len(grpl))
    out[meta.end : meta.end] = grpl
    return bytes(out)


def _box(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">L4s", 8 + len(content), kind) + content


def _boxes(data: bytes, start: int, end: int) -> list[_Box]:
    found = []
    while start + 8 <= end:
        size, kind = struct.unpack_from(">L4s", data, start)
        content = start + 8
        if size == 1:
            (size,) = struct.unpack_from(">Q", data, content)
            content += 8
        size = size or end - start  # 0: as far as the file goes
        if start + size > end or size < content - start:
            raise ValueError(f"box {kind!r} at {start} does not fit into the file")
        found.append(_Box(kind, start, content, start + size))
        start += size
    return found


def _only(boxes: list[_Box], kind: bytes) -> _Box:
    found = [box for box in boxes if box.kind == kind]
    if len(found) != 1:
        raise ValueError(f"one box {kind!r} was expected, found {len(found)}")
    return found[0]


def _items(data: bytes, iinf: _Box) -> list[tuple[int, bytes]]:
    """Number and kind of each item, in the order of the list."""
    count_bytes = 2 if data[iinf.content] == 0 else 4
    items = []
    for entry in _boxes(data, iinf.content + _FULL + count_bytes, iinf.end):
        version = data[entry.content]
        if entry.kind != b"infe" or version not in (2, 3):
            raise ValueError(f"an item of version {version} is not known")
        number, _, kind = struct.unpack_from(
            ">HH4s" if version == 2 else ">LH4s", data, entry.content + _FULL
        )
        items.append((number, kind))
    return items


def _move(out: bytearray, iloc: _Box, behind: int, by: int) -> None:
    """Let the offsets of `iloc` that point behind a place point farther by so much."""
    version = out[iloc.content]
    at = iloc.content + _FULL
    sizes = out[at], out[at + 1]
    offset_bytes, length_bytes, base_bytes = sizes[0] >> 4, sizes[0] & 15, sizes[1] >> 4
    index_bytes = sizes[1] & 15 if version else 0
    wide = 4 if version == 2 else 2
    count, at = _number(out, at + 2, wide), at + 2 + wide
    for _ in range(count):
        at += wide
        method = _number(out, at, 2) & 15 if version else _IN_FILE
        at += 4 if version else 2
        base, base_at = _number(out, at, base_bytes), at
        extents, at = _number(out, at + base_bytes, 2), at + base_bytes + 2
        moved = base >= behind
        if moved and method == _IN_FILE:
            _put(out, base_at, base_bytes, base + by)
        for _ in range(extents):
            at += index_bytes
            offset = _number(out, at, offset_bytes)
            if method == _IN_FILE and not moved and base + offset >= behind:
                _put(out, at, offset_bytes, offset + by)
            at += offset_bytes + length_bytes


def _number(data: bytearray, at: int, size: int) -> int:
    return int.from_bytes(data[at : at + size], "big")


def _put(data: bytearray, at: int, size: int, value: int) -> None:
    if not size:
        raise ValueError("the file has no room for the place of a picture")
    data[at : at + size] = value.to_bytes(size, "big")
