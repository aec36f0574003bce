"""Multi-picture files: both pictures of a pair as JPEG in one file, with their index.

CIPA DC-007 (2009), Multi-Picture Format: an APP2 segment "MPF" in each picture holds a TIFF-like header, in
the first picture the index IFD and its attribute IFD, in the others an attribute IFD only. Tags, types and
entry layout as readers of the format have them; that offsets count from the header and the first is 0, units
(degrees, metres), numbering of viewpoints from the left and the code for "unknown" are from memory. The
pictures are mounted, so their cameras' axes count as parallel: the convergence angle is 0.
"""

import struct
from dataclasses import dataclass
from fractions import Fraction

_VERSION, _COUNT, _ENTRIES = 0xB000, 0xB001, 0xB002
_NUMBER, _BASE_VIEWPOINT, _CONVERGENCE, _BASELINE = 0xB101, 0xB204, 0xB205, 0xB206
_LONG, _RATIONAL, _UNDEFINED, _SRATIONAL = 4, 5, 7, 10
_DISPARITY = 0x020002
_REPRESENTATIVE = 1 << 29
_UNKNOWN = 0xFFFFFFFF
_MARK = b"MPF\0"
_FIRST_IFD = 8
_LARGEST_DENOMINATOR = 1_000_000


@dataclass(frozen=True, slots=True)
class _Tag:
    """One entry of an IFD; `data` stands in it if it has four bytes, else behind the IFD."""

    number: int
    kind: int
    count: int
    data: bytes


def multipicture(left: bytes, right: bytes, base_mm: float | None) -> bytes:
    """Both JPEG files in one, the left picture first; base_mm: distance of the viewpoints, None if unknown.

    Raises ValueError if one of them is no JPEG.
    """
    second = _with_segment(right, _header(_ifd(_attributes(2, base_mm, first=False), _FIRST_IFD, last=True)))
    at = _place(left) + 4 + len(_MARK)  # of the header: behind marker and length
    length = len(left) + 4 + len(_MARK) + len(_first_header(0, 0, 0, base_mm))
    first = _with_segment(left, _first_header(length, len(second), length - at, base_mm))
    return first + second


def _first_header(first_bytes: int, second_bytes: int, second_at: int, base_mm: float | None) -> bytes:
    entries = struct.pack("<LLLHH", _REPRESENTATIVE | _DISPARITY, first_bytes, 0, 0, 0)
    entries += struct.pack("<LLLHH", _DISPARITY, second_bytes, second_at, 0, 0)
    index = [
        _Tag(_VERSION, _UNDEFINED, 4, b"0100"),
        _long(_COUNT, 2),
        _Tag(_ENTRIES, _UNDEFINED, len(entries), entries),
    ]
    start = _ifd(index, _FIRST_IFD, last=False)
    return _header(start + _ifd(_attributes(1, base_mm, first=True), _FIRST_IFD + len(start), last=True))


def _attributes(number: int, base_mm: float | None, *, first: bool) -> list[_Tag]:
    length = struct.pack("<LL", _UNKNOWN, _UNKNOWN)
    if base_mm is not None:
        ratio = Fraction(base_mm / 1000).limit_denominator(_LARGEST_DENOMINATOR)
        length = struct.pack("<LL", ratio.numerator, ratio.denominator)
    tags = [] if first else [_Tag(_VERSION, _UNDEFINED, 4, b"0100")]
    return [
        *tags,
        _long(_NUMBER, number),
        _long(_BASE_VIEWPOINT, 1),
        _Tag(_CONVERGENCE, _SRATIONAL, 1, struct.pack("<ll", 0, 1)),
        _Tag(_BASELINE, _RATIONAL, 1, length),
    ]


def _long(number: int, value: int) -> _Tag:
    return _Tag(number, _LONG, 1, struct.pack("<L", value))


def _ifd(tags: list[_Tag], at: int, *, last: bool) -> bytes:
    """An IFD that begins at `at` of the header, with its data; if not the last, another follows at once."""
    behind = at + 2 + 12 * len(tags) + 4
    rows, data = b"", b""
    for tag in tags:
        value = tag.data
        if len(value) > 4:
            value = struct.pack("<L", behind + len(data))
            data += tag.data
        rows += struct.pack("<HHL", tag.number, tag.kind, tag.count) + value
    after = 0 if last else behind + len(data)
    return struct.pack("<H", len(tags)) + rows + struct.pack("<L", after) + data


def _header(body: bytes) -> bytes:
    return b"II*\0" + struct.pack("<L", _FIRST_IFD) + body


def _with_segment(jpeg: bytes, header: bytes) -> bytes:
    at = _place(jpeg)
    content = _MARK + header
    return jpeg[:at] + b"\xff\xe2" + struct.pack(">H", len(content) + 2) + content + jpeg[at:]


def _place(jpeg: bytes) -> int:
    """Where the segment goes: behind the EXIF segment if there is one, else behind those before it."""
    if jpeg[:2] != b"\xff\xd8":
        raise ValueError("a multi-picture file is made of JPEG files")
    at = 2
    while jpeg[at : at + 2] in (b"\xff\xe0", b"\xff\xe1"):
        kind, (length,) = jpeg[at + 1], struct.unpack(">H", jpeg[at + 2 : at + 4])
        is_exif = kind == 0xE1 and jpeg[at + 4 : at + 10] == b"Exif\0\0"
        at += 2 + length
        if is_exif:
            break
    return at
