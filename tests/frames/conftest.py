"""Pictures and EXIF blocks made byte by byte, for the tests of frames."""

import io
import struct
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

Value = str | int | tuple[int, int] | tuple[int, ...]
Tags = Mapping[int, tuple[str, Value]]

# TIFF 6.0 (1992), section 2, "Types": number and bytes of each
TYPES = {"ascii": (2, 1), "short": (3, 2), "long": (4, 4), "rational": (5, 8)}


def packed(kind: str, value: Value, order: str) -> tuple[int, bytes]:
    if kind == "ascii":
        data = str(value).encode("latin-1") + b"\0"
        return len(data), data
    if kind == "rational":
        return 1, struct.pack(f"{order}2I", *value)  # type: ignore[misc]
    values = value if isinstance(value, tuple) else (value,)
    return len(values), struct.pack(f"{order}{len(values)}{'H' if kind == 'short' else 'I'}", *values)


def directory(tags: Tags, start: int, order: str) -> bytes:
    """One image file directory at offset `start`, values behind it (TIFF 6.0, section 2)."""
    head, tail = struct.pack(f"{order}H", len(tags)), b""
    behind = start + 2 + 12 * len(tags) + 4
    for tag, (kind, value) in sorted(tags.items()):
        count, data = packed(kind, value, order)
        field = data.ljust(4, b"\0")
        if len(data) > 4:
            field = struct.pack(f"{order}I", behind + len(tail))
            tail += data + b"\0" * (len(data) % 2)
        head += struct.pack(f"{order}HHI", tag, TYPES[kind][0], count) + field
    return head + b"\0\0\0\0" + tail


def exif_block(main: Tags, camera: Tags | None = None, order: str = "<") -> bytes:
    """An EXIF block with its prefix (Exif 2.32, section 4.5.4), written without any library."""
    pointer = {**main, 0x8769: ("long", 0)}
    below = 8 + len(directory(pointer, 8, order))
    pointer[0x8769] = ("long", below)
    mark = b"II*\0" if order == "<" else b"MM\0*"
    body = (
        mark
        + struct.pack(f"{order}I", 8)
        + directory(pointer, 8, order)
        + directory(camera or {}, below, order)
    )
    return b"Exif\0\0" + body


@pytest.fixture
def texture() -> NDArray[np.uint8]:
    """A (37, 53, 3) picture without symmetry, smooth enough for a JPEG."""
    rows, columns = np.mgrid[0:37, 0:53]
    red, green = 3 * rows + 2 * columns, 255 - 4 * rows - columns
    return np.stack([red, green, (rows * columns) // 10], axis=-1).clip(0, 255).astype(np.uint8)


@pytest.fixture
def jpeg(tmp_path: Path, texture: NDArray[np.uint8]) -> Callable[..., Path]:
    """Write the texture as a JPEG file with Pillow; keyword arguments go to its writer."""

    def write(name: str = "DSC_0042.JPG", mode: str = "RGB", **options: object) -> Path:
        path = tmp_path / name
        buffer = io.BytesIO()
        Image.fromarray(texture).convert(mode).save(buffer, "JPEG", **{"quality": 92, **options})
        path.write_bytes(buffer.getvalue())
        return path

    return write
