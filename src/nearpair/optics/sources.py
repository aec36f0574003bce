"""The numbers that optics takes from the literature, each with unit, source, edition and how far we read it.

`status` is "read" (in the named source or its abstract), "from memory" (not read again; a result that
rests on it says so) or "common practice" (a habit of the trade without a source, so without a year).
"""

from dataclasses import dataclass
from typing import Literal

Status = Literal["read", "from memory", "common practice"]


@dataclass(frozen=True, slots=True)
class Constant:
    """One number with its unit, where it comes from, the year of that edition, and how far we read it."""

    value: float
    unit: str
    source: str
    year: int | None
    status: Status


_DODGSON = "N. A. Dodgson, Variation and extrema of human interpupillary distance, Proc. SPIE 5291, 36-46"
_SHIBATA = (
    "T. Shibata, J. Kim, D. M. Hoffman, M. S. Banks, The zone of comfort: predicting visual discomfort "
    "with stereo displays, Journal of Vision 11(8):11"
)
_LAMBOOIJ = (
    "M. Lambooij, W. IJsselsteijn, I. Heynderickx, Visual discomfort in stereoscopic displays: a review, "
    "Proc. SPIE 6490, 64900I"
)
_BORN_WOLF = "M. Born, E. Wolf, Principles of Optics, 7th edition, section 8.5.2"

EYES_MEAN_MM = Constant(63.0, "mm", _DODGSON, 2004, "read")
"""Mean distance of adult pupils."""
EYES_SMALLEST_ADULT_MM = Constant(50.0, "mm", _DODGSON, 2004, "read")
"""The vast majority of adults lie between 50 and 75 mm."""
EYES_SMALLEST_CHILD_MM = Constant(40.0, "mm", _DODGSON, 2004, "read")
"""Smallest distance to expect with children of five and more."""
EYES_LARGEST_MM = Constant(80.0, "mm", _DODGSON, 2004, "read")
"""Nearly all adults lie between 45 and 80 mm."""

COMFORT_ONE_DEGREE_ARCMIN = Constant(60.0, "arcmin", _LAMBOOIJ, 2007, "read")
"""Up to one degree of disparity the classical causes of discomfort are of minor importance."""
ZONE_NEAR_SLOPE = Constant(1.035, "1", _SHIBATA, 2011, "from memory")
ZONE_NEAR_OFFSET_DPT = Constant(-0.626, "dpt", _SHIBATA, 2011, "from memory")
ZONE_FAR_SLOPE = Constant(1.129, "1", _SHIBATA, 2011, "from memory")
ZONE_FAR_OFFSET_DPT = Constant(0.442, "dpt", _SHIBATA, 2011, "from memory")

GREEN_LIGHT_UM = Constant(0.55, "um", "middle of the visible range; no source", None, "common practice")
"""Wavelength that diffraction is reckoned with."""
AIRY_DIAMETER_FACTOR = Constant(2.44, "1", _BORN_WOLF, 1999, "from memory")
"""First dark ring of the Airy pattern: diameter in wavelengths times effective f-number."""
BLUR_OF_DIAGONAL = Constant(1 / 1500, "1", "share of the sensor diagonal; no source", None, "common practice")
"""Largest blur that passes for sharp in the whole picture."""
BASE_OF_DISTANCE = Constant(1 / 30, "1", "rule of one thirtieth; no source", None, "common practice")
"""Stereo base as a share of the distance of the nearest point."""
DEVIATION_OF_WIDTH = Constant(1 / 30, "1", "1.2 mm on 36 mm; no source", None, "common practice")
"""Customary deviation as a share of the picture's width."""
RECORDED_DISTANCE_ERROR = Constant(
    0.15, "1", "focus distances as cameras record them close up; no source", None, "common practice"
)
"""Standard error of differences of recorded focus distances: they are read off the focusing mechanism."""
MARKED_LENS_ERROR = Constant(
    0.15, "1", "marked against real focal length close up; no source", None, "common practice"
)
"""Standard error of distances reckoned from the marked focal length: lenses with inner focusing get much
shorter close up (some by a quarter at life size), and the pupil does not stand in the principal plane."""
