"""Files whose structure lies: directories in circles, tiles that are not there, boxes of wrong length.

`support.corpus` spoils bytes without knowing what they mean, so most of what it does to a raw file hits
pixels. Here the directories of TIFF, DNG, EXIF and multi-picture files are walked (TIFF 6.0, sections 2 and
15; tags of raw files: Adobe DNG 1.4, chapter 4), the boxes of HEIC files (ISO/IEC 14496-12, 4.2) and the
segments of JPEG files (ITU-T T.81, B.1.1), and single statements are replaced. Tag numbers and layouts from
memory.
"""

import random
import struct
from collections.abc import Callable, Iterator
from dataclasses import dataclass

Spoiler = Callable[[random.Random, bytearray], str]

_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}
_WIDTH, _HEIGHT, _BITS, _COMPRESSION, _PHOTOMETRIC, _STRIPS = 256, 257, 258, 259, 262, 273
_TURNED, _CHANNELS, _ROWS, _COUNTS, _TILE_WIDTH, _TILE_HEIGHT = 274, 277, 278, 279, 322, 323
_TILES, _TILE_COUNTS, _BELOW, _CFA_SHAPE, _CFA, _EXIF = 324, 325, 330, 33421, 33422, 34665
_MP_COUNT, _MP_ENTRIES = 0xB001, 0xB002
_PRIVATE = 65000
_ODD = (0, 1, 2, 7, 0x7FFF, 0xFFFF, 0x10000, 0x7FFFFFFF, 0xFFFFFFFF)
_COMPRESSIONS = (0, 2, 4, 5, 7, 8, 99, 32773, 32946, 34712, 34892, 50000, 65535)


@dataclass(frozen=True)
class Entry:
    """A row of a directory: where it stands in the file, and what it says."""

    at: int
    tag: int
    kind: int
    count: int
    values_at: int


@dataclass(frozen=True)
class Walked:
    """The directories of a TIFF header at `base`; `ends`: where each says which one follows."""

    base: int
    order: str
    entries: tuple[Entry, ...]
    starts: tuple[int, ...]
    ends: tuple[int, ...]


def walk(data: bytes, base: int = 0) -> Walked:
    """Every directory of a TIFF, and those below, as far as what was spoilt before lets them be read."""
    order = "<" if data[base : base + 2] == b"II" else ">"
    waiting, starts, ends, entries = [struct.unpack_from(f"{order}I", data, base + 4)[0]], [], [], []
    while waiting:
        start = waiting.pop(0)
        if not start or start in starts or base + start + 2 > len(data):
            continue
        starts.append(start)
        (rows,) = struct.unpack_from(f"{order}H", data, base + start)
        rows = min(rows, (len(data) - base - start - 6) // 12)
        for row in range(rows):
            entry = _entry(data, base, order, base + start + 2 + 12 * row)
            if entry is None:
                continue
            entries.append(entry)
            if entry.tag in (_BELOW, _EXIF) and entry.kind == 4:
                waiting += struct.unpack_from(f"{order}{entry.count}I", data, entry.values_at)
        ends.append(base + start + 2 + 12 * rows)
        waiting.append(struct.unpack_from(f"{order}I", data, ends[-1])[0])
    return Walked(base, order, tuple(entries), tuple(starts), tuple(ends))


def _entry(data: bytes, base: int, order: str, at: int) -> Entry | None:
    """The row at `at`, unless it says what cannot be."""
    tag, kind, count = struct.unpack_from(f"{order}HHI", data, at)
    length = _SIZES.get(kind, 0) * count
    place = base + struct.unpack_from(f"{order}I", data, at + 8)[0] if length > 4 else at + 8
    return Entry(at, tag, kind, count, place) if 0 < length <= len(data) - place else None


def spoil_directories(rng: random.Random, data: bytearray, base: int = 0) -> str:
    """Let one statement of a TIFF's directories be wrong; returns what was done."""
    walked = walk(bytes(data), base)
    if not walked.entries:
        return "nothing more"
    faults = rng.sample(_DIRECTORY_FAULTS, len(_DIRECTORY_FAULTS))
    return next(what for what, how in faults if how(rng, data, walked))


def _put(data: bytearray, walked: Walked, entry: Entry, number: int, value: int) -> None:
    """Replace one value of an entry."""
    size = _SIZES[entry.kind]
    if size <= 4:
        whole = (value & (256**size - 1)).to_bytes(size, "little" if walked.order == "<" else "big")
        place = entry.values_at + size * number
        data[place : place + size] = whole


def _one(rng: random.Random, walked: Walked, *tags: int) -> Entry | None:
    found = [entry for entry in walked.entries if entry.tag in tags]
    return rng.choice(found) if found else None


def _values(*tags: int, of: tuple[int, ...] = _ODD) -> Callable[[random.Random, bytearray, Walked], bool]:
    def change(rng: random.Random, data: bytearray, walked: Walked) -> bool:
        entry = _one(rng, walked, *tags)
        if entry is None:
            return False
        for number in range(rng.choice((1, entry.count))):
            _put(data, walked, entry, number, rng.choice((*of, len(data), len(data) - 1)))
        return True

    return change


def _missing(*tags: int) -> Callable[[random.Random, bytearray, Walked], bool]:
    def change(rng: random.Random, data: bytearray, walked: Walked) -> bool:
        entry = _one(rng, walked, *tags)
        if entry is not None:
            struct.pack_into(f"{walked.order}H", data, entry.at, _PRIVATE)
        return entry is not None

    return change


def _count(*tags: int) -> Callable[[random.Random, bytearray, Walked], bool]:
    def change(rng: random.Random, data: bytearray, walked: Walked) -> bool:
        entry = _one(rng, walked, *tags)
        if entry is not None:
            count = rng.choice((0, 1, entry.count + 1, 1000, 0x10000000, 0xFFFFFFFF))
            struct.pack_into(f"{walked.order}I", data, entry.at + 4, count)
        return entry is not None

    return change


def _circle(rng: random.Random, data: bytearray, walked: Walked) -> bool:
    """A directory is followed by one that came before it."""
    struct.pack_into(f"{walked.order}I", data, rng.choice(walked.ends), rng.choice(walked.starts))
    return True


def _nested(rng: random.Random, data: bytearray, walked: Walked) -> bool:
    """A directory lies below itself: any entry of four bytes becomes a pointer."""
    short = [entry for entry in walked.entries if entry.values_at == entry.at + 8]
    if not short:
        return False
    entry = rng.choice(short)
    row = (rng.choice((_BELOW, _EXIF, 34853, 40965)), 4, 1, rng.choice(walked.starts))
    struct.pack_into(f"{walked.order}HHII", data, entry.at, *row)
    return True


def _lost_first(rng: random.Random, data: bytearray, walked: Walked) -> bool:
    place = rng.choice((0, 1, 4, len(data), len(data) - 3, 0xFFFFFFF0, rng.randrange(len(data))))
    struct.pack_into(f"{walked.order}I", data, walked.base + 4, place)
    return True


def _rows(rng: random.Random, data: bytearray, walked: Walked) -> bool:
    number = rng.choice((0, 1, 200, 0xFFFF))
    struct.pack_into(f"{walked.order}H", data, walked.base + rng.choice(walked.starts), number)
    return True


def _kind(rng: random.Random, data: bytearray, walked: Walked) -> bool:
    kind = rng.choice((0, 2, 5, 12, 13, 16, 99, 0xFFFF))
    struct.pack_into(f"{walked.order}H", data, rng.choice(walked.entries).at + 2, kind)
    return True


def _any_value(rng: random.Random, data: bytearray, walked: Walked) -> bool:
    entry = rng.choice(walked.entries)
    _put(data, walked, entry, rng.randrange(max(1, entry.count)), rng.choice(_ODD))
    return True


def _no_denominators(rng: random.Random, data: bytearray, walked: Walked) -> bool:
    entry = _one(rng, walked, *(e.tag for e in walked.entries if e.kind in (5, 10)))
    if entry is None:
        return False
    data[entry.values_at : entry.values_at + 8 * entry.count] = bytes(8 * entry.count)
    return True


_DIRECTORY_FAULTS: tuple[tuple[str, Callable[[random.Random, bytearray, Walked], bool]], ...] = (
    ("directories in a circle", _circle),
    ("a directory below itself", _nested),
    ("the first directory is elsewhere", _lost_first),
    ("number of rows", _rows),
    ("kind of a value", _kind),
    ("any value", _any_value),
    ("fractions without denominators", _no_denominators),
    ("tile sizes", _values(_TILE_WIDTH, _TILE_HEIGHT)),
    ("places of strips or tiles", _values(_STRIPS, _TILES)),
    ("bytes of strips or tiles", _values(_COUNTS, _TILE_COUNTS)),
    ("number of strips or tiles", _count(_STRIPS, _TILES, _COUNTS, _TILE_COUNTS)),
    ("rows in a strip", _values(_ROWS)),
    ("picture size", _values(_WIDTH, _HEIGHT)),
    ("picture size, large", _values(_WIDTH, _HEIGHT, of=(20_000, 40_000, 65_535, 1 << 20))),
    ("compression", _values(_COMPRESSION, of=_COMPRESSIONS)),
    ("bits and channels", _values(_BITS, _CHANNELS)),
    ("what the values mean", _values(_PHOTOMETRIC, of=(0, 1, 2, 3, 5, 6, 32803, 34892, 65535))),
    ("orientation", _values(_TURNED)),
    ("filter array", _values(_CFA_SHAPE, _CFA)),
    ("filter array, missing", _missing(_CFA_SHAPE, _CFA)),
    ("a size or place, missing", _missing(_WIDTH, _HEIGHT, _STRIPS, _TILES, _COUNTS, _TILE_COUNTS, _BITS)),
    ("black, white, version, colour", _values(50706, 50707, 50714, 50717, 50778)),
    ("black, white, version, colour, missing", _missing(50706, 50714, 50717, 50721, 50728)),
    ("pictures of the index", _values(_MP_COUNT, _MP_ENTRIES)),
    ("length of the index", _count(_MP_ENTRIES, _MP_COUNT)),
)


def spoil_boxes(rng: random.Random, data: bytearray) -> str:
    """Let one box of a HEIC file lie."""
    boxes = list(_boxes(bytes(data), 0, len(data)))
    at, kind, length = rng.choice(boxes)
    fault = rng.choice(("length", "kind", "content", "repeated", "swallowed", "in itself"))
    if fault == "length":
        value = rng.choice((0, 1, 7, 8, length - 1, length + 1, 2 * length, 0x7FFFFFFF, 0xFFFFFFFF))
        struct.pack_into(">I", data, at, value & 0xFFFFFFFF)
    elif fault == "kind":
        data[at + 4 : at + 8] = rng.choice((b"free", b"meta", b"iloc", b"ispe", b"\0\0\0\0", b"uuid"))
    elif fault == "content" and length > 12:
        for _ in range(rng.choice((1, 2, 4))):
            place = at + 8 + 4 * rng.randrange((length - 8) // 4)
            struct.pack_into(">I", data, place, rng.choice(_ODD))
    elif fault == "repeated":
        data[at:at] = data[at : at + length] * rng.choice((1, 3, 50))
    elif fault == "swallowed":
        del data[at : at + length]
    else:
        data[at + 8 : at + 8] = data[at : at + length]
    return f"box {kind.decode('latin-1')}: {fault}"


_CONTAINERS = {b"meta": 12, b"iprp": 8, b"ipco": 8, b"iinf": 14, b"dinf": 8, b"iref": 12}


def _boxes(data: bytes, start: int, end: int) -> Iterator[tuple[int, bytes, int]]:
    while start + 8 <= end:
        length, kind = struct.unpack_from(">I4s", data, start)
        length = length if 8 <= length <= end - start else end - start
        yield start, kind, length
        if kind in _CONTAINERS:
            yield from _boxes(data, start + _CONTAINERS[kind], start + length)
        start += length


def spoil_segments(rng: random.Random, data: bytearray) -> str:
    """Let one segment of a JPEG file lie, or a directory in one."""
    segments = list(_segments(bytes(data)))
    if not segments:
        return "nothing more"
    starts = [(at, data[at + 4 : at + 10]) for at, _, _ in segments]
    inside = [at for at, start in starts if start.startswith((b"MPF\0", b"Exif\0\0"))]
    if inside and rng.random() < 0.7:
        at = rng.choice(inside)
        base = at + (8 if data[at + 4 : at + 8] == b"MPF\0" else 10)
        return spoil_directories(rng, data, base)
    at, mark, length = rng.choice(segments)
    fault = rng.choice(("length", "mark", "missing", "repeated", "content"))
    if fault == "length":
        struct.pack_into(">H", data, at + 2, rng.choice((0, 1, 2, 3, length + 1, 0xFFFF)))
    elif fault == "mark":
        data[at + 1] = rng.choice((0xC0, 0xC2, 0xC3, 0xC4, 0xC9, 0xD8, 0xD9, 0xDA, 0xDB, 0xE1, 0xE2, 0xFF, 0))
    elif fault == "missing":
        del data[at : at + 2 + length]
    elif fault == "repeated":
        data[at:at] = data[at : at + 2 + length] * rng.choice((1, 3, 300))
    else:
        data[at + 4 + rng.randrange(max(1, length - 2))] = rng.choice((0, 1, 4, 0x7F, 0xFF))
    return f"segment {mark:02x}: {fault}"


def _segments(data: bytes) -> Iterator[tuple[int, int, int]]:
    """Place, mark and length of the segments before the pixels."""
    at = 2
    while at + 4 <= len(data) and data[at] == 0xFF:
        length = struct.unpack_from(">H", data, at + 2)[0]
        yield at, data[at + 1], length
        if data[at + 1] == 0xDA:
            return
        at += 2 + length
