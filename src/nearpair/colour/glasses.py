"""Coloured glasses: which channels each eye sees, and the published least-squares matrices.

A least-squares matrix has three rows (R, G, B of the anaglyph) and six columns (R, G, B of the left view,
then of the right view). It acts on linear light; its result can leave [0, 1] (about -0.33 to 1.26), so
clip, then encode.

Source of the method: E. Dubois, "A projection method to generate anaglyph stereo images", ICASSP 2001.
The rounded matrices for the three kinds of glasses come from the same author's notes of 2009: seen in two
independent public constant tables that agree, the notes themselves were not at hand, nor the filters and
display they assume. Copies with a wrong digit or sign circulate; every row must sum to 1 over both eyes
(white stays white), which `Glasses` checks. For red-blue glasses no published matrix is known to us: theirs
is computed by the same method from spectral data and modelled filters, without green, which neither eye is
meant to see. What each display channel sends through each filter stands in `Glasses.display`.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from nearpair.colour import spectra
from nearpair.colour.displays import SANDERS, modelled
from nearpair.colour.projection import FilteredDisplay, least_squares_projection, lit
from nearpair.errors import NearpairError

Filters = Literal["own", "measured", "modelled"]

ROW_SUM_TOLERANCE = 0.002
"""Published matrices are rounded to three digits: six of them add up to 1 within 0.002."""


@dataclass(frozen=True, slots=True, eq=False)
class Glasses:
    """One kind of coloured glasses.

    `left_channels` and `right_channels` are the numbers (0 R, 1 G, 2 B) of the display channels that pass
    the filter before that eye; together they name each channel at most once. `least_squares` is (3, 6)
    float64 for linear light, columns left R, G, B then right R, G, B, or None where no matrix is known; rows
    of channels that neither eye is given are zero. `display` is a display as seen bare and through the
    filters, or None where that is not known; channels that neither eye is given are never lit.
    `filters`: how that is known: "own" glasses and screen were measured by their viewer, or a "measured"
    display and filters are published, or filters are "modelled" curves.
    """

    name: str
    left_channels: tuple[int, ...]
    right_channels: tuple[int, ...]
    least_squares: NDArray[np.float64] | None
    display: FilteredDisplay | None = None
    filters: Filters = "modelled"

    @property
    def channels(self) -> tuple[int, ...]:
        """Numbers of the channels that either eye is given, in order."""
        return tuple(sorted(self.left_channels + self.right_channels))

    def __post_init__(self) -> None:
        _check_channels(self.name, self.left_channels, self.right_channels)
        if self.least_squares is not None:
            matrix = np.array(self.least_squares, dtype=np.float64)
            _check_matrix(self.name, matrix, self.channels)
            matrix.flags.writeable = False
            object.__setattr__(self, "least_squares", matrix)
        if self.display is not None:
            object.__setattr__(self, "display", lit(self.display, self.channels))


def _check_channels(name: str, left: tuple[int, ...], right: tuple[int, ...]) -> None:
    channels = left + right
    shared_out = len(set(channels)) == len(channels) and set(channels) <= {0, 1, 2}
    if not (left and right and shared_out):
        raise NearpairError(
            f"glasses {name!r}: left_channels and right_channels must share out channels 0, 1 and 2, "
            f"found {left} and {right}.",
            "Give every channel to the one eye whose filter lets it pass, and each eye at least one.",
        )


def _check_matrix(name: str, matrix: NDArray[np.float64], channels: tuple[int, ...]) -> None:
    if matrix.shape != (3, 6):
        raise NearpairError(
            f"glasses {name!r}: least_squares must have shape (3, 6), found {matrix.shape}.",
            "Give one row each for R, G and B: three numbers for the left view, three for the right.",
        )
    sums = matrix[list(channels)].sum(axis=1)
    if not np.all(np.abs(sums - 1) <= ROW_SUM_TOLERANCE):
        raise NearpairError(
            f"glasses {name!r}: every row of least_squares must sum to 1 (within {ROW_SUM_TOLERANCE}), "
            f"found {', '.join(f'{total:.4f}' for total in sums)}.",
            "Look for a wrong digit or sign in the matrix: with these numbers white would not stay white.",
        )


def _matrix(*rows: tuple[float, ...]) -> NDArray[np.float64]:
    return np.array(rows, dtype=np.float64)


_RED_CYAN = _matrix(
    (0.437, 0.449, 0.164, -0.011, -0.032, -0.007),
    (-0.062, -0.062, -0.024, 0.377, 0.761, 0.009),
    (-0.048, -0.050, -0.017, -0.026, -0.093, 1.234),
)
_GREEN_MAGENTA = _matrix(
    (-0.062, -0.158, -0.039, 0.529, 0.705, 0.024),
    (0.284, 0.668, 0.143, -0.016, -0.015, -0.065),
    (-0.015, -0.027, 0.021, 0.009, 0.075, 0.937),
)
_AMBER_BLUE = _matrix(
    (1.062, -0.205, 0.299, -0.016, -0.123, -0.017),
    (-0.026, 0.908, 0.068, 0.006, 0.062, -0.017),
    (-0.038, -0.173, 0.022, 0.094, 0.185, 0.911),
)

_RED_BLUE_DISPLAY = modelled(spectra.RED, spectra.BLUE)
_RED_BLUE = least_squares_projection(_RED_BLUE_DISPLAY, (0, 2))

GLASSES: Mapping[str, Glasses] = MappingProxyType(
    {
        glasses.name: glasses
        for glasses in (
            Glasses("red-cyan", (0,), (1, 2), _RED_CYAN, SANDERS, "measured"),
            Glasses("green-magenta", (1,), (0, 2), _GREEN_MAGENTA, modelled(spectra.GREEN, spectra.MAGENTA)),
            Glasses("amber-blue", (0, 1), (2,), _AMBER_BLUE, modelled(spectra.AMBER, spectra.BLUE)),
            Glasses("red-blue", (0,), (2,), _RED_BLUE, _RED_BLUE_DISPLAY),
        )
    }
)
"""The kinds of glasses by name; the first colour is before the left eye."""
