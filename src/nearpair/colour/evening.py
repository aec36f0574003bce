"""Evening the light of two views: each goes half the way (in stops) that parts them, channel by channel.

A gain multiplies linear light. So that no highlight is clipped that was not, and what was blown out in both
views does not become grey in one, a gain g holds as far as the lighter of value and result is below 0.8; from
there on a curve leads to white, which stays white. With x the light, k the light where the curve begins, and
m the slope there against that of the straight line from there to white:

    y = g·x                                           x <= k = 0.8 / max(g, 1)
    y = g·k + (1 - g·k) · m·t / (1 + (m - 1)·t)       t = (x - k) / (1 - k),  m = g·(1 - k) / (1 - g·k)

It has no kink, rises everywhere, and the curve of 1/g takes it back. The form is a choice of this project.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearpair.colour.balance import Factors

UNCHANGED: Factors = (1.0, 1.0, 1.0)
_LINEAR_TO = 0.8
_LEAST_STOPS = 0.01
"""Differences below this are those of rounding; nothing is done about them."""


def gains(factors: Factors) -> tuple[Factors, Factors]:
    """Gains of the left and of the right view that even light which differs by `factors`, right over left."""
    if max(abs(np.log2(factor)) for factor in factors) < _LEAST_STOPS:
        return UNCHANGED, UNCHANGED
    red, green, blue = (float(np.sqrt(factor)) for factor in factors)
    return (red, green, blue), (1 / red, 1 / green, 1 / blue)


def evened_light(light: NDArray[Any], gain: float) -> NDArray[np.float64]:
    """Linear light in [0, 1], any shape, with a gain; black stays black, white stays white."""
    x = np.asarray(light, np.float64)
    begins = _LINEAR_TO / max(gain, 1.0)
    there = gain * begins
    slope = gain * (1 - begins) / (1 - there)
    along = np.maximum(x - begins, 0) / (1 - begins)
    return np.where(x <= begins, gain * x, there + (1 - there) * slope * along / (1 + (slope - 1) * along))


def evening_tables(factors: Factors, decoded: NDArray[np.float32]) -> NDArray[Any]:
    """For each channel the new code of every code, (3, levels); decoded: the light of every code, rising."""
    levels = len(decoded)
    codes, light = np.arange(levels, dtype=np.float64), decoded.astype(np.float64)
    new = [np.interp(evened_light(light, gain), light, codes) for gain in factors]
    return np.rint(new).astype(np.uint8 if levels == 256 else np.uint16)


def through_tables(picture: NDArray[Any], tables: NDArray[Any]) -> NDArray[Any]:
    """A picture (H, W, 3) of codes, each taken from the table of its channel."""
    out = np.empty_like(picture)
    for channel in range(3):
        out[..., channel] = tables[channel].take(picture[..., channel])
    return out
