"""A display seen bare and through each kind of glasses: measured where a measurement is published.

- red-cyan: XYZ of the three primaries, bare and through both filters, as measured by W. Sanders and D.
  McAllister, "Producing anaglyphs from synthetic images" (2003); read in a public question and answer that
  works the least-squares matrix out from them.
- green-magenta, amber-blue, red-blue: a measured display through modelled filters, see `colour.spectra`. The
  display's three primaries are each scaled so that together they are D65 white (CIE 15), as on a calibrated
  screen.
"""

import numpy as np
from numpy.typing import NDArray

from nearpair.colour import spectra
from nearpair.colour.projection import FilteredDisplay, primaries_xyz

D65 = (0.95047, 1.0, 1.08883)
"""XYZ of daylight, CIE standard illuminant D65, 2-degree observer: IEC 61966-2-1 (sRGB white)."""

SRGB_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
"""XYZ of R, G, B of an sRGB display, columns: IEC 61966-2-1:1999."""

SANDERS = FilteredDisplay(
    bare=np.array([[11.6638, 8.3959, 4.65843], [7.10807, 16.6845, 2.45008], [0.527874, 3.79124, 24.0604]]),
    left=np.array(
        [
            [5.42327, 0.807004, 0.047325],
            [2.70972, 0.50201, 0.0250529],
            [0.0000550941, 0.000411221, 0.00240686],
        ]
    ),
    right=np.array([[0.180431, 1.6395, 2.00309], [0.448214, 6.31551, 1.35757], [0.289201, 2.3925, 11.062]]),
)
"""Red-cyan glasses before a display, measured: Sanders and McAllister (2003)."""


def modelled(left: NDArray[np.float64], right: NDArray[np.float64]) -> FilteredDisplay:
    """The measured display, balanced to D65, through two filters of transmission (61,) each."""
    bare = primaries_xyz(spectra.DISPLAY, spectra.OBSERVER)
    light = spectra.DISPLAY * np.linalg.solve(bare, D65)
    return FilteredDisplay(
        bare=primaries_xyz(light, spectra.OBSERVER),
        left=primaries_xyz(light, spectra.OBSERVER, left),
        right=primaries_xyz(light, spectra.OBSERVER, right),
    )


def transmitted(left: tuple[float, float, float], right: tuple[float, float, float]) -> FilteredDisplay:
    """An sRGB display through filters that pass these shares of its R, G and B.

    The hue of each primary is taken to stay as it is, which holds for narrow primaries and is an
    approximation for wide ones.
    """
    return FilteredDisplay(SRGB_XYZ, SRGB_XYZ * np.array(left), SRGB_XYZ * np.array(right))
