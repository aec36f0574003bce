"""Least-squares projection for one pair of glasses before one display, from measured data.

The anaglyph is the picture whose colours, seen through the two filters, come closest (in CIE XYZ, summed
over both eyes) to the colours of the two views on the bare display. Source: E. Dubois, "A projection method
to generate anaglyph stereo images", ICASSP 2001; the recipe was read in a public question and answer that
works it through on the data of W. Sanders and D. McAllister, "Producing anaglyphs from synthetic images"
(2003), and gives the matrix to seven digits.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearpair.errors import NearpairError

_COUNTS = {1: "one", 2: "two", 3: "three"}


@dataclass(frozen=True, slots=True, eq=False)
class FilteredDisplay:
    """A display's primaries seen bare and through the filter before each eye.

    Each array is (3, 3): rows X, Y, Z, columns R, G, B at full drive, all on one common scale.
    """

    bare: NDArray[np.float64]
    left: NDArray[np.float64]
    right: NDArray[np.float64]

    def __post_init__(self) -> None:
        for name in ("bare", "left", "right"):
            measured = np.array(getattr(self, name), dtype=np.float64)
            if measured.shape != (3, 3) or not np.all(np.isfinite(measured)):
                raise NearpairError(
                    f"{name} must hold 3 x 3 finite XYZ values, found shape {measured.shape}.",
                    "Give one column of X, Y, Z for each of R, G and B.",
                )
            measured.flags.writeable = False
            object.__setattr__(self, name, measured)


def lit(display: FilteredDisplay, channels: tuple[int, ...]) -> FilteredDisplay:
    """The same display with only these channels ever lit while glasses are worn; bare it stays as it is."""
    mask = np.isin(np.arange(3), channels).astype(np.float64)
    return FilteredDisplay(display.bare, display.left * mask, display.right * mask)


def primaries_xyz(
    spectra: NDArray[np.float64],
    matching_functions: NDArray[np.float64],
    transmission: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """XYZ of the primaries through a filter, (3, 3): rows X, Y, Z, columns R, G, B; scale arbitrary.

    `spectra` (n, 3) is the light of R, G, B, `matching_functions` (n, 3) the CIE observer, `transmission`
    (n,) the filter, all at the same evenly spaced wavelengths; no transmission means no filter. The sum
    over wavelengths of CIE 15:2004 (from memory), without its scale factor.
    """
    through = np.ones(len(spectra)) if transmission is None else np.asarray(transmission, dtype=np.float64)
    shapes = (np.shape(spectra), np.shape(matching_functions), through.shape)
    if shapes != ((len(through), 3), (len(through), 3), (len(through),)):
        raise NearpairError(
            f"spectra, matching_functions and transmission must cover the same wavelengths, found {shapes}.",
            "Resample them to one list of n wavelengths: shapes (n, 3), (n, 3) and (n,).",
        )
    seen: NDArray[np.float64] = (np.asarray(matching_functions) * through[:, np.newaxis]).T @ spectra
    return seen


def least_squares_projection(
    display: FilteredDisplay, channels: tuple[int, ...] = (0, 1, 2)
) -> NDArray[np.float64]:
    """Least-squares matrix for linear light, (3, 6): columns left R, G, B, then right R, G, B.

    (RᵀR)⁻¹·RᵀD with the filtered primaries R (6, 3) and the bare ones for both eyes D (6, 6); then every row
    is scaled to sum 1, so that white stays white. Source: Dubois (2001). With fewer `channels` the others
    stay dark, rows of zeros: red-blue glasses hide green from both eyes. Raises NearpairError where the
    filters do not keep the channels apart.
    """
    used = sorted(channels)
    filtered = np.vstack([display.left, display.right])[:, used]
    wanted = np.zeros((6, 6))
    wanted[:3, :3] = wanted[3:, 3:] = display.bare
    if np.linalg.cond(filtered) > 1e6:
        raise NearpairError(
            f"The filtered primaries of left and right must span {_COUNTS[len(used)]} colours, found fewer.",
            "Check the measured values: two primaries look the same through both filters.",
        )
    projection = np.linalg.solve(filtered.T @ filtered, filtered.T @ wanted)
    matrix = np.zeros((3, 6))
    matrix[used] = projection / projection.sum(axis=1, keepdims=True)
    return matrix


def white_luminance_ratio(display: FilteredDisplay) -> float:
    """Luminance of white through the left filter over that through the right one. Row Y of CIE XYZ."""
    return float(display.left[1].sum() / display.right[1].sum())


def leaks(
    display: FilteredDisplay, left_channels: tuple[int, ...], right_channels: tuple[int, ...]
) -> tuple[float, float]:
    """Light of the other eye's channels over light of the own ones, before the left and the right eye.

    Luminance (row Y) at full drive: the amount of ghosting to expect, 0 for perfect filters. Definition of
    crosstalk as leakage over signal: from memory (A. Woods, Crosstalk in stereoscopic displays, 2012).
    """
    left_y, right_y = display.left[1], display.right[1]
    own, other = list(left_channels), list(right_channels)
    return float(left_y[other].sum() / left_y[own].sum()), float(right_y[own].sum() / right_y[other].sum())
