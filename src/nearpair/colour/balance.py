"""How much lighter, and of what other colour, the right view is than the left one, from places both show.

Exposure and white balance change the linear light of every place by the same factor, channel by channel. The
factor is the centre of log2(right / left) over matched points, weighted by their light, which the noise of
light asks for. The centre is Tukey's biweight with tuning constant 4.685 (from memory), begun at the weighted
median: points that differ for another reason (matched wrongly, glossy, hidden from one eye) have no say.
Points near black or white in either view (below 0.002 or above 0.95 in any channel) are left out: clipped
values say nothing about exposure.

In stops a factor is its base-2 logarithm (definition of the stop).
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearpair.colour.light import LUMINANCE_WEIGHTS
from nearpair.colour.match import Grid, Light, partners

Factors = tuple[float, float, float]
Values = NDArray[np.float64]

NOTED_STOPS = 0.2
"""Between the flicker of a stack (0.05 stops on ray-traced ones) and the smallest click of a camera, a third
of a stop (common practice, no source)."""
NOTED_SHIFT = 0.05
"""Of red or blue against green."""

_DARKEST, _BRIGHTEST = 0.002, 0.95
_FEWEST_POINTS = 50
_MOST_POINTS = 50_000
_TUNING, _ROUNDS, _LEAST_SCALE = 4.685, 12, 0.005
_CELLS = (4, 6)
_FEWEST_CELLS, _AGREEING = 4, 0.75
_SAME_STOPS, _SAME_SHARE = 0.1, 1 / 3
"""Parts of a picture agree within this, and within this share of the difference."""


@dataclass(frozen=True, slots=True)
class Balance:
    """Linear light of the right view over the left one: red, green, blue; and luminance (Rec. ITU-R BT.709).

    agreeing_share: share of the parts of the picture that show the same difference; None where parts were not
    looked at or too few show anything.
    """

    factors: Factors
    luminance: float
    agreeing_share: float | None = None

    @property
    def stops(self) -> float:
        """The difference in brightness, in stops; negative if the right view is darker."""
        return math.log2(self.luminance)

    @property
    def shift(self) -> float:
        """The larger of the changes of red and of blue against green, as a share."""
        red, green, blue = self.factors
        return max(abs(red / green - 1), abs(blue / green - 1))

    @property
    def noted(self) -> bool:
        """Whether it is more than the flicker of a stack."""
        return abs(self.stops) > NOTED_STOPS or self.shift > NOTED_SHIFT

    @property
    def sure(self) -> bool:
        """Whether the picture shows the same difference nearly everywhere: then the cameras made it."""
        return self.agreeing_share is not None and self.agreeing_share >= _AGREEING


def balance(left: Light, right: Light) -> Balance | None:
    """The balance of matched points (n, 3); None where too few of them can be compared."""
    usable = _usable(left) & _usable(right)
    if np.count_nonzero(usable) < _FEWEST_POINTS:
        return None
    step = max(1, np.count_nonzero(usable) // _MOST_POINTS)
    one, other = left[usable][::step].astype(np.float64), right[usable][::step].astype(np.float64)
    logs, weights = np.log2(other / one), np.sqrt(one * other)
    red, green, blue = (2 ** _centre(logs[:, c], weights[:, c]) for c in range(3))
    shares = np.array(LUMINANCE_WEIGHTS) * one.mean(axis=0)
    luminance = float((shares * (red, green, blue)).sum() / shares.sum())
    return Balance((red, green, blue), luminance)


def balance_by_parts(left: Light, right: Light, on: Grid) -> Balance | None:
    """The balance of two block pictures (h, w, 3), and how far the parts of the picture agree on it."""
    known = np.isfinite(on.partner)
    laid = partners(right, on)
    whole = balance(left[known], laid[known])
    if whole is None:
        return None
    parts = [balance(left[part][known[part]], laid[part][known[part]]) for part in _parts(known.shape)]
    told = [part.factors for part in parts if part is not None]
    if len(told) < _FEWEST_CELLS:
        return whole
    factors = np.log2(np.array(whole.factors))
    near = max(_SAME_STOPS, _SAME_SHARE * float(np.abs(factors).max()))
    agree = (np.abs(np.log2(np.array(told)) - factors) <= near).all(axis=1)
    return Balance(whole.factors, whole.luminance, float(agree.mean()))


def _parts(shape: tuple[int, ...]) -> Iterator[tuple[slice, slice]]:
    (rows, columns), (down, across) = shape[:2], _CELLS
    for row in range(down):
        for column in range(across):
            yield (
                slice(row * rows // down, (row + 1) * rows // down),
                slice(column * columns // across, (column + 1) * columns // across),
            )


def _usable(light: Light) -> NDArray[np.bool_]:
    return np.asarray((light > _DARKEST).all(axis=1) & (light < _BRIGHTEST).all(axis=1))


def _centre(values: Values, weights: Values) -> float:
    """Tukey's biweight of values (n,), begun at their weighted median."""
    middle = _median(values, weights)
    scale = max(1.4826 * _median(np.abs(values - middle), weights), _LEAST_SCALE)
    for _ in range(_ROUNDS):
        off = (values - middle) / (_TUNING * scale)
        says = weights * np.where(np.abs(off) < 1, (1 - off**2) ** 2, 0)
        middle = float((says * values).sum() / says.sum())
    return middle


def _median(values: Values, weights: Values) -> float:
    order = np.argsort(values, kind="stable")
    summed = np.cumsum(weights[order])
    return float(values[order[np.searchsorted(summed, summed[-1] / 2)]])
