"""The viewer's own glasses on their own screen: what each filter passes of each screen colour, version 1.

Measured by eye on the page of `nearpair glasses`, where patches are adjusted until they vanish:

- stripes of two screen colours through one filter, one of them dimmed until the stripes are least visible:
  then both give this eye the same luminance (minimally distinct borders, common practice, no source);
- one screen colour half seen through the filter, half bare, the bare half dimmed until both match: its level
  is the share that the filter passes.

With t the share passed of the eye's own colour, m how much of its light equals all of another colour
through the filter, and Y the luminance of the bare colours, the share passed of the other colour is
t·m·Y_own / Y_other. The screen is taken to be sRGB (Rec. ITU-R BT.709-6 luminance).
"""

from collections.abc import Mapping
from typing import Any

import numpy as np

from nearpair.colour.displays import transmitted
from nearpair.colour.glasses import GLASSES, Glasses
from nearpair.colour.light import LUMINANCE_WEIGHTS
from nearpair.colour.projection import least_squares_projection
from nearpair.errors import NearpairError

VERSION = 1
COLOURS = ("red", "green", "blue")
_EYES = ("left", "right")
_REMEDY = "Measure the glasses again with `nearpair glasses`, or correct the file."


def own_colour(channels: tuple[int, ...]) -> int:
    """The brightest of an eye's channels: what the other colours are held against."""
    return max(channels, key=lambda channel: LUMINANCE_WEIGHTS[channel])


def shares_passed(
    own: int, own_share: float, matches: tuple[float, float, float]
) -> tuple[float, float, float]:
    """Shares of R, G, B that a filter passes, at most 1, from what was matched through it.

    `own`: number of the eye's own colour. `own_share`: share of it that passes. `matches`: for each colour,
    how much of the own colour's light equals all of it through the filter (1 for the own colour itself).
    """
    weights = LUMINANCE_WEIGHTS
    red, green, blue = (
        min(1.0, own_share * match * weights[own] / weight)
        for match, weight in zip(matches, weights, strict=True)
    )
    return red, green, blue


def calibrated(raw: Mapping[str, Any]) -> Glasses:
    """Glasses as a calibration file describes them. Raises NearpairError naming the key that is wrong.

    Keys: `version` 1, `kind` (a key of GLASSES), and for [left] and [right] `red`, `green` and `blue`, shares
    of the screen colour's light that passes, 0 to 1.
    """
    _only(raw, ("version", "kind", *_EYES), "")
    if _needed(raw, "version", "") != VERSION or isinstance(raw["version"], bool):
        raise _wrong("version", f"{VERSION}, the only version this program knows", raw["version"])
    kind = _needed(raw, "kind", "")
    if not isinstance(kind, str) or kind not in GLASSES:
        raise _wrong("kind", f"one of {', '.join(GLASSES)}", kind)
    left, right = (_eye(raw, eye) for eye in _EYES)
    plain = GLASSES[kind]
    _check_told_apart(plain, left, right)
    display = transmitted(left, right)
    matrix = least_squares_projection(display, plain.channels)
    name = f"{kind}-measured"
    return Glasses(name, plain.left_channels, plain.right_channels, matrix, display, "own")


def _eye(raw: Mapping[str, Any], eye: str) -> tuple[float, float, float]:
    table = _needed(raw, eye, "")
    if not isinstance(table, Mapping):
        raise _wrong(eye, f"a table [{eye}]", table)
    _only(table, COLOURS, f"[{eye}] ")
    red, green, blue = (
        _share(_needed(table, colour, f"[{eye}] "), f"[{eye}] {colour}") for colour in COLOURS
    )
    return red, green, blue


def _share(value: Any, key: str) -> float:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if not number or not 0 <= value <= 1:
        raise _wrong(key, "a share between 0 and 1", value)
    return float(value)


def _needed(table: Mapping[str, Any], key: str, where: str) -> Any:
    if key not in table:
        raise NearpairError(f"{where}{key}: this key is missing.", _REMEDY)
    return table[key]


def _only(table: Mapping[str, Any], known: tuple[str, ...], where: str) -> None:
    for key in table:
        if key not in known:
            raise NearpairError(f"{where}{key}: there is no such key; expected {', '.join(known)}.", _REMEDY)


def _wrong(key: str, expected: str, found: object) -> NearpairError:
    return NearpairError(f"{key}: expected {expected}, found {found!r}.", _REMEDY)


def _check_told_apart(plain: Glasses, left: tuple[float, ...], right: tuple[float, ...]) -> None:
    """Refuse filters that do not part the eyes: swapped ones, worn the wrong way round, or two alike."""
    shares = np.array([left, right])
    for eye, own, channels in (("left", 0, plain.left_channels), ("right", 1, plain.right_channels)):
        for channel in channels:
            mine, other = shares[own, channel], shares[1 - own, channel]
            if mine < 0.01 or mine < 2 * other:
                raise NearpairError(
                    f"[{eye}] {COLOURS[channel]}: expected at least 0.01 and twice what the other eye gets, "
                    f"found {mine:g}, and {other:g} before the other eye.",
                    f"The {plain.name.split('-')[0]} filter belongs before the left eye. {_REMEDY}",
                )
