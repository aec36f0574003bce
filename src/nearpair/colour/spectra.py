"""Spectral data: the standard observer, the primaries of one display, and curves for coloured filters.

Observer and display are small excerpts, 400 to 700 nm in steps of 5 nm, of the data sets in the Python
library colour-science 0.4.7 (BSD 3-clause licence); a test compares them with the library. Observer: CIE
1931, 2 degrees (CIE 15). Display: an LCD with fluorescent lamp, measured by M. Fairchild and D. Wyble,
"Colorimetric characterization of the Apple Studio Display (flat panel LCD)", 1998.

The filters are **modelled**, not measured: no open measurement was at hand. Each is made of smooth edges

    rise(wavelength) = 1 / (1 + exp(-(wavelength - edge) / width)),

between a leak and a peak transmission, and its numbers were chosen so that the least-squares matrices
computed from them come near the published ones (within 0.07 for amber-blue, 0.17 for green-magenta).
Real glasses differ from each other more than that.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Spectrum = NDArray[np.float64]


def _table(text: str) -> Spectrum:
    table = np.array(text.split(), dtype=np.float64).reshape(-1, 3)
    table.flags.writeable = False
    return table


WAVELENGTHS_NM: Spectrum = np.arange(400.0, 701.0, 5.0)

OBSERVER = _table(
    """
    .01431 .000396 .06785  .02319 .00064 .1102  .04351 .00121 .2074  .07763 .00218 .3713
    .13438 .004 .6456  .21477 .0073 1.03905  .2839 .0116 1.3856  .3285 .01684 1.62296
    .34828 .023 1.74706  .34806 .0298 1.7826  .3362 .038 1.77211  .3187 .048 1.7441  .2908 .06 1.6692
    .2511 .0739 1.5281  .19536 .09098 1.28764  .1421 .1126 1.0419  .09564 .13902 .81295
    .05795 .1693 .6162  .03201 .20802 .46518  .0147 .2586 .3533  .0049 .323 .272  .0024 .4073 .2123
    .0093 .503 .1582  .0291 .6082 .1117  .06327 .71 .07825  .1096 .7932 .05725  .1655 .862 .04216
    .22575 .91485 .02984  .2904 .954 .0203  .3597 .9803 .0134  .43345 .99495 .00875  .51205 1. .00575
    .5945 .995 .0039  .6784 .9786 .00275  .7621 .952 .0021  .8425 .9154 .0018  .9163 .87 .00165
    .9786 .8163 .0014  1.0263 .757 .0011  1.0567 .6949 .001  1.0622 .631 .0008  1.0456 .5668 .0006
    1.0026 .503 .00034  .9384 .4412 .00024  .85445 .381 .00019  .7514 .321 .0001  .6424 .265 .00005
    .5419 .217 .00003  .4479 .175 .00002  .3608 .1382 .00001  .2835 .107 0  .2187 .0816 0
    .1649 .061 0  .1212 .04458 0  .0874 .032 0  .0636 .0232 0  .04677 .017 0  .0329 .01192 0
    .0227 .00821 0  .01584 .005723 0  .011359 .004102 0
    """
)
"""CIE 1931 2-degree colour matching functions, (61, 3): columns x, y, z."""

DISPLAY = _table(
    """
    0 0 .0040  0 0 .0040  0 0 .0079  0 0 .0238  0 0 .0516  0 0 .0992  0 .0040 .1865  0 .0119 .3929
    .0040 0 .2540  .0040 .0119 .2738  0 .0119 .3016  .0040 .0079 .3016  0 .0198 .2976
    .0040 .0238 .2698  .0040 .0317 .2460  .0040 .0357 .2103  .0040 .0516 .2460  .0040 .0873 .3929
    .0040 .0873 .3333  .0040 .0675 .2024  .0040 .0437 .0913  0 .0357 .0437  0 .0317 .0238
    0 .0317 .0119  0 .0238 .0079  0 .0238 .0040  0 .0317 .0040  0 .1944 .0159  0 1.5794 .0794
    .0437 1.4048 .0754  .0317 .4127 .0079  .0040 .0952 .0040  0 .0317 0  0 .0159 0  0 .0079 0
    0 .0952 0  .0040 .1429 0  .0198 .1468 0  .0635 .0754 0  .0873 .0357 0  .0635 .0159 0
    .0714 .0040 0  .2619 .0476 0  1.0714 .0159 0  .4881 .0040 0  .3532 .0040 0  .2103 0 0  .1944 0 0
    .0556 0 0  .0238 0 0  .0476 0 0  .0675 0 0  .0238 0 0  .0397 .0040 0  .0397 .0040 0  .0278 0 0
    .0278 0 0  .0317 0 0  .0317 0 0  .0198 0 0  .0159 0 0
    """
)
"""Light of the display at full drive of R, G, B, (61, 3), arbitrary scale."""


@dataclass(frozen=True, slots=True)
class Edge:
    """One edge of a filter: where it passes half, and how soft it is, nm."""

    at_nm: float
    width_nm: float

    def rise(self) -> Spectrum:
        """Share of the rise from 0 (short wavelengths) to 1 (long ones), (61,)."""
        share: Spectrum = 1 / (1 + np.exp(-(WAVELENGTHS_NM - self.at_nm) / self.width_nm))
        return share


def long_pass(edge: Edge, peak: float, leak: float) -> Spectrum:
    """Transmission (61,) of a filter that passes what lies beyond its edge: red, amber."""
    return leak + (peak - leak) * edge.rise()


def short_pass(edge: Edge, peak: float, leak: float) -> Spectrum:
    """Transmission (61,) of a filter that passes what lies before its edge: blue, cyan."""
    return leak + (peak - leak) * (1 - edge.rise())


def band_pass(low: Edge, high: Edge, peak: float, leak: float) -> Spectrum:
    """Transmission (61,) of a filter that passes a band: green."""
    return leak + (peak - leak) * low.rise() * (1 - high.rise())


def band_stop(low: Edge, high: Edge, peak: float, leak: float) -> Spectrum:
    """Transmission (61,) of a filter that stops a band: magenta."""
    return peak - (peak - leak) * low.rise() * (1 - high.rise())


RED = long_pass(Edge(600, 6), 0.85, 0.006)
GREEN = band_pass(Edge(503, 6), Edge(572, 6), 0.65, 0.01)
MAGENTA = band_stop(Edge(493, 6), Edge(580, 6), 0.54, 0.01)
AMBER = long_pass(Edge(545, 4), 0.48, 0.023)
BLUE = short_pass(Edge(503, 5), 0.65, 0.0005)
