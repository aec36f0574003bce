"""Encoded and linear light (sRGB), and relative luminance.

Encoded values are what a picture file stores; linear values are proportional to light. Mixing, filtering and
averaging light is done on linear values.

Sources: IEC 61966-2-1:1999 with amendment 1 (2003) for the two-part curve; Rec. ITU-R BT.709-6 (2015) for the
luminance weights, which sRGB shares.

Integers are decoded by table. Encoding to integers is exact: the result is the encoded value, worked out
in double precision and rounded to the nearest code, for every float32 input. The linear range is cut into
cells so narrow that a cell holds at most one change of code; a table says which code a cell starts with,
a second one at which linear value inside the cell the next code starts.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import DTypeLike, NDArray

from nearpair.errors import NearpairError

_DECODE_KNEE = 0.04045
_ENCODE_KNEE = 0.0031308
_SLOPE = 12.92
_OFFSET = 0.055
_GAMMA = 2.4

LUMINANCE_WEIGHTS = (0.2126, 0.7152, 0.0722)
"""Relative luminance of linear R, G, B: Rec. ITU-R BT.709-6 (2015)."""

_CHUNK = 1 << 16  # values handled at once: temporary arrays stay in the processor's cache
_CELLS: dict[np.dtype[Any], int] = {
    np.dtype(np.uint8): 1 << 16,
    np.dtype(np.uint16): 1 << 20,
}  # powers of two: cell numbers are exact


@dataclass(frozen=True, slots=True, eq=False)
class _CodeTable:
    """First code of every cell of linear light, and the linear value where the next code starts."""

    cells: int
    first_code: NDArray[Any]
    next_starts: NDArray[np.float32]


def _decode(encoded: NDArray[Any]) -> NDArray[Any]:
    curve = ((encoded + _OFFSET) / (1 + _OFFSET)) ** _GAMMA
    return np.where(encoded <= _DECODE_KNEE, encoded / _SLOPE, curve)


def _encode(linear: NDArray[Any]) -> NDArray[Any]:
    curve = (1 + _OFFSET) * linear ** (1 / _GAMMA) - _OFFSET
    return np.where(linear <= _ENCODE_KNEE, linear * _SLOPE, curve)


def _decode_table(levels: int) -> NDArray[np.float32]:
    table = _decode(np.arange(levels) / (levels - 1)).astype(np.float32)
    table.flags.writeable = False
    return table


def _code_starts(levels: int) -> NDArray[np.float32]:
    """Smallest float32 linear value of every code 1..levels-1."""
    half_codes = (np.arange(1, levels) - 0.5) / (levels - 1)
    inverse = np.where(
        half_codes <= _SLOPE * _ENCODE_KNEE,
        half_codes / _SLOPE,
        ((half_codes + _OFFSET) / (1 + _OFFSET)) ** _GAMMA,
    )
    starts = inverse.astype(np.float32)
    return np.where(starts < inverse, np.nextafter(starts, np.float32(2)), starts)


def _code_table(dtype: np.dtype[Any]) -> _CodeTable:
    levels, cells = int(np.iinfo(dtype).max) + 1, _CELLS[dtype]
    starts = _code_starts(levels)
    edges = (np.arange(cells + 1) / cells).astype(np.float32)
    first_code = np.searchsorted(starts, edges, side="right")
    next_starts = np.append(starts, np.float32(np.inf))[first_code]
    return _CodeTable(cells, first_code.astype(dtype), next_starts)


_DECODE_TABLES = {np.dtype(np.uint8): _decode_table(1 << 8), np.dtype(np.uint16): _decode_table(1 << 16)}
_CODE_TABLES = {dtype: _code_table(dtype) for dtype in _CELLS}


def _in_chunks(values: NDArray[Any], out: NDArray[Any], work: Callable[[NDArray[Any]], NDArray[Any]]) -> None:
    flat, flat_out = values.reshape(-1), out.reshape(-1)
    for start in range(0, flat.size, _CHUNK):
        part = slice(start, start + _CHUNK)
        flat_out[part] = work(flat[part])


def _unit_range(values: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.fmin(np.fmax(values, np.float32(0)), np.float32(1))  # fmax takes NaN to 0


def _refuse(parameter: str, found: object) -> NearpairError:
    return NearpairError(
        f"{parameter} must hold uint8, uint16 or float32 values, found {found}.",
        "Convert the picture to 8 or 16 bits a channel, or to float32 between 0 and 1, first.",
    )


def decode_srgb(encoded: NDArray[Any]) -> NDArray[np.float32]:
    """Linear light in [0, 1] of sRGB-encoded values, any shape.

    `encoded` is uint8 (0..255), uint16 (0..65535) or float32 in [0, 1]; floats outside are clipped and NaN
    becomes 0. Any other type raises NearpairError. Source: IEC 61966-2-1:1999.
    Example: code 188 of 255 is half of the light (0.5029).
    """
    out = np.empty(encoded.shape, np.float32)
    if encoded.dtype in _DECODE_TABLES:
        table = _DECODE_TABLES[encoded.dtype]
        _in_chunks(encoded, out, table.take)
    elif encoded.dtype == np.float32:
        _in_chunks(encoded, out, lambda part: _decode(_unit_range(part)))
    else:
        raise _refuse("encoded", encoded.dtype)
    return out


def encode_srgb(linear: NDArray[np.float32], dtype: DTypeLike = np.uint8) -> NDArray[Any]:
    """sRGB-encoded values of linear light, any shape, as uint8, uint16 or float32.

    Values outside [0, 1] are clipped and NaN becomes 0. Integers are rounded exactly to the nearest code, as
    told above. Any other `dtype` raises NearpairError. Source: IEC 61966-2-1:1999.
    Example: half of the light is code 188 of 255.
    """
    wanted, light = np.dtype(dtype), np.asarray(linear, dtype=np.float32)
    out = np.empty(light.shape, wanted)
    if wanted in _CODE_TABLES:
        table = _CODE_TABLES[wanted]
        _in_chunks(light, out, lambda part: _codes(part, table))
    elif wanted == np.float32:
        _in_chunks(light, out, lambda part: _encode(_unit_range(part)))
    else:
        raise _refuse("dtype", wanted)
    return out


def _codes(linear: NDArray[np.float32], table: _CodeTable) -> NDArray[Any]:
    light = _unit_range(linear)
    cell = (light * np.float32(table.cells)).astype(np.intp)
    return table.first_code.take(cell) + (light >= table.next_starts.take(cell))


def luminance(linear: NDArray[np.float32]) -> NDArray[np.float32]:
    """Relative luminance, shape (...), of linear RGB, shape (..., 3); white is 1.

    Source: Rec. ITU-R BT.709-6 (2015), weights 0.2126, 0.7152, 0.0722.
    """
    if linear.ndim == 0 or linear.shape[-1] != 3:
        raise NearpairError(
            f"linear must have three channels as its last axis, found shape {linear.shape}.",
            "Give RGB values of shape (height, width, 3).",
        )
    light = np.asarray(linear, dtype=np.float32)
    red, green, blue = (np.float32(weight) for weight in LUMINANCE_WEIGHTS)
    weighted: NDArray[np.float32] = light[..., 0] * red + light[..., 1] * green + light[..., 2] * blue
    return weighted
