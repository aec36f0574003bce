"""Sensor formats by the names that the trade uses, width and height in mm.

Customary sizes (common practice, no source); single cameras differ by a few tenths of a mm, which moves no
figure of a plan by more than two per cent. Other sizes are given as WxH.
"""

import re
from collections.abc import Mapping
from types import MappingProxyType

from nearpair.errors import NearpairError

SENSOR_FORMATS: Mapping[str, tuple[float, float]] = MappingProxyType(
    {
        "full-frame": (36.0, 24.0),
        "aps-c": (23.5, 15.6),
        "four-thirds": (17.3, 13.0),
        "one-inch": (13.2, 8.8),
        "medium-format": (43.8, 32.9),
    }
)

_SIZE = re.compile(r"([0-9.]+)\s*[x×]\s*([0-9.]+)")


def sensor_size_mm(name: str) -> tuple[float, float]:
    """Width and height of a sensor by name, or of a size such as "22.3x14.9"; the longer side is the width.

    Raises NearpairError for anything else.
    """
    word = name.strip().lower()
    if word in SENSOR_FORMATS:
        return SENSOR_FORMATS[word]
    found = _SIZE.fullmatch(word)
    try:
        sides = sorted(float(side) for side in found.groups()) if found else []
    except ValueError:
        sides = []
    if len(sides) == 2 and 1 <= sides[0] <= sides[1] <= 300:
        return sides[1], sides[0]
    raise NearpairError(
        f"sensor must be {', '.join(SENSOR_FORMATS)} or width x height in mm, found {name!r}.",
        "For example: --sensor aps-c, or --sensor 22.3x14.9.",
    )


def sensor_from_diagonal(diagonal_mm: float, size_px: tuple[int, int]) -> tuple[float, float]:
    """Width and height of a sensor of this diagonal, with the shape of a frame of (height, width) px."""
    height, width = min(size_px), max(size_px)
    share = diagonal_mm / (height**2 + width**2) ** 0.5
    return width * share, height * share
