"""The EXIF of CR3 raw files, which keep it in boxes of their own.

Boxes: ISO/IEC 14496-12, section 4.2 (size, type, content; size 1: a 64-bit size follows; `uuid`: 16 bytes
name the owner). In `moov` Canon's box holds CMT1, a TIFF block with the main directory, and CMT2, one with
the EXIF directory: no published standard, from memory, the same that LibRaw reads.
"""

import struct
from collections.abc import Iterator

from nearpair.frames.exif import ExifFields, from_directories

_CANON = bytes.fromhex("85c0b687820f11e08111f4ce462b6a48")


def cr3_exif(head: bytes) -> ExifFields:
    """Read the EXIF from the first bytes of a CR3 file; what is missing or broken becomes None."""
    blocks = {
        kind: content
        for movie in _contents(head, b"moov")
        for owned in _contents(movie, b"uuid")
        if owned.startswith(_CANON)
        for kind, content in _boxes(owned[len(_CANON) :])
    }
    return from_directories(blocks.get(b"CMT1", b""), blocks.get(b"CMT2", b""))


def _contents(data: bytes, wanted: bytes) -> Iterator[bytes]:
    return (content for kind, content in _boxes(data) if kind == wanted)


def _boxes(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Yield type and content of each box; the last may be cut short."""
    at = 0
    while at + 8 <= len(data):
        size, kind = struct.unpack_from(">I4s", data, at)
        head = 8
        if size == 1 and at + 16 <= len(data):
            size, head = struct.unpack_from(">Q", data, at + 8)[0], 16
        if size < head:  # 0: up to the end of the file; anything else is broken
            return
        yield kind, data[at + head : at + size]
        at += size
