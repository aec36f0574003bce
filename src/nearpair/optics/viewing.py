"""Viewing geometry: from parallax on the screen to angles and distances, and how much of it is comfortable.

Parallax is x_right - x_left on the mounted pair: 0 in the window (the plane of the screen), negative in
front of it, positive behind. Angles keep that sign: 2·atan(e/2V) - 2·atan((e - p)/2V) for parallax p,
distance V and pupil distance e (elementary geometry; exact, no small-angle rule).

The limits are for viewers with ordinary binocular vision and say nothing about a single person. Whoever
gets a headache, sore eyes or double pictures should stop and rest; advice about their eyes is a matter for
an eye-care professional.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from nearpair.errors import NearpairError
from nearpair.optics import sources
from nearpair.optics.checks import between, positive

CLOSEST_MM, FARTHEST_MM = 10.0, 1e6


@dataclass(frozen=True, slots=True)
class Viewing:
    """How the picture is looked at: its width on the screen or print, from how far, by which eyes.

    `screen_width_mm` is the width that one view takes up. `eyes_mm` is the distance of the viewer's pupils;
    the default is the adult mean (Dodgson 2004). Raises NearpairError for impossible values, and for a
    distance at which no eye sees anything, not even through a lens.
    """

    screen_width_mm: float = 600.0
    distance_mm: float = 600.0
    eyes_mm: float = sources.EYES_MEAN_MM.value

    def __post_init__(self) -> None:
        between("screen_width_mm", self.screen_width_mm, 1.0, FARTHEST_MM, "mm")
        between("distance_mm", self.distance_mm, CLOSEST_MM, FARTHEST_MM, "mm")
        smallest, largest = sources.EYES_SMALLEST_CHILD_MM.value, sources.EYES_LARGEST_MM.value
        between("eyes_mm", self.eyes_mm, smallest, largest, "mm")


@dataclass(frozen=True, slots=True)
class ComfortLimits:
    """The parallax that stays comfortable, as lengths on the screen and as angles, both signed.

    `near_mm` and `near_arcmin` are at most 0 (in front of the window), -inf where the rule sets no near
    limit; `far_mm` and `far_arcmin` are at least 0. `source` names the rule and how far it was read.
    """

    near_mm: float
    far_mm: float
    near_arcmin: float
    far_arcmin: float
    source: str

    def allow(self, near_mm: float, far_mm: float) -> bool:
        """Whether a picture with parallax from `near_mm` to `far_mm` (on the screen) stays inside."""
        return self.near_mm <= near_mm and far_mm <= self.far_mm


def px_to_mm(viewing: Viewing, parallax_px: float, width_px: float) -> float:
    """Parallax on the screen in mm, of a view `width_px` wide; the sign stays."""
    positive("width_px", width_px, "px")
    return parallax_px * viewing.screen_width_mm / width_px


def mm_to_px(viewing: Viewing, parallax_mm: float, width_px: float) -> float:
    """Parallax in px, of a view `width_px` wide, for parallax on the screen in mm; the sign stays."""
    positive("width_px", width_px, "px")
    return parallax_mm * width_px / viewing.screen_width_mm


def mm_to_arcmin(viewing: Viewing, parallax_mm: float) -> float:
    """Change of the vergence angle against the window, in arcmin; negative in front of the window.

    Exact: 2·atan(e/2V) - 2·atan((e - p)/2V). Example: 10.5 mm behind, seen from 600 mm, are 60 arcmin.
    """
    e, twice = viewing.eyes_mm, 2 * viewing.distance_mm
    return math.degrees(2 * math.atan(e / twice) - 2 * math.atan((e - parallax_mm) / twice)) * 60


def arcmin_to_mm(viewing: Viewing, parallax_arcmin: float) -> float:
    """Parallax on the screen in mm that `mm_to_arcmin` turns into this angle.

    Raises NearpairError for an angle that no parallax gives (the eyes would have to turn by more than 90
    degrees each).
    """
    e, twice = viewing.eyes_mm, 2 * viewing.distance_mm
    half_vergence = math.atan(e / twice) - math.radians(parallax_arcmin / 60) / 2
    if not abs(half_vergence) < math.pi / 2:
        raise NearpairError(
            f"parallax_arcmin must be an angle the eyes can turn through, found {parallax_arcmin}.",
            "Give an angle of a few hundred arcmin at most.",
        )
    return e - twice * math.tan(half_vergence)


def px_to_arcmin(viewing: Viewing, parallax_px: float, width_px: float) -> float:
    """Parallax of a view `width_px` wide as an angle in arcmin; negative in front of the window."""
    return mm_to_arcmin(viewing, px_to_mm(viewing, parallax_px, width_px))


def vergence_dpt(viewing: Viewing, parallax_mm: float) -> float:
    """Where the eyes' lines of sight meet, in dioptres (1/m); 0 is infinity, negative means they diverge.

    1/Z with Z = V·e/(e - p). Focus stays at 1000 / distance_mm dioptres.
    """
    return 1000 * (viewing.eyes_mm - parallax_mm) / (viewing.distance_mm * viewing.eyes_mm)


def perceived_distance_mm(viewing: Viewing, parallax_mm: float) -> float:
    """Distance Z = V·e/(e - p) from the eyes at which the point is seen, in mm.

    Parallax as large as the pupils' distance, or larger, gives inf: the lines of sight no longer meet.
    """
    if parallax_mm >= viewing.eyes_mm:
        return math.inf
    return viewing.distance_mm * viewing.eyes_mm / (viewing.eyes_mm - parallax_mm)


def one_degree_limits(viewing: Viewing) -> ComfortLimits:
    """Keep to one degree either side of the window, never beyond parallel lines of sight.

    Source: Lambooij, IJsselsteijn & Heynderickx (2007), read in the abstract.
    """
    limit = sources.COMFORT_ONE_DEGREE_ARCMIN
    near_mm, far_mm = arcmin_to_mm(viewing, -limit.value), arcmin_to_mm(viewing, limit.value)
    return _limits(viewing, near_mm, far_mm, f"one degree: {limit.source}, {limit.year}")


def zone_of_comfort_limits(viewing: Viewing) -> ComfortLimits:
    """Keep to the zone of comfort around the focus distance, never beyond parallel lines of sight.

    Limits linear in dioptres: focus = 1.035·near - 0.626 and focus = 1.129·far + 0.442. Source: Shibata, Kim,
    Hoffman & Banks (2011); the four numbers are from memory, and which axis is which was inferred from what
    the abstract says (conflicts behind the screen are worse far away, in front of it worse near by).
    """
    focus_dpt = 1000 / viewing.distance_mm
    near_dpt = (focus_dpt - sources.ZONE_NEAR_OFFSET_DPT.value) / sources.ZONE_NEAR_SLOPE.value
    far_dpt = (focus_dpt - sources.ZONE_FAR_OFFSET_DPT.value) / sources.ZONE_FAR_SLOPE.value
    paper = sources.ZONE_NEAR_SLOPE
    source = f"zone of comfort: {paper.source}, {paper.year}; its numbers {paper.status}"
    return _limits(viewing, _parallax_mm(viewing, near_dpt), _parallax_mm(viewing, far_dpt), source)


def divergence_limits(
    viewing: Viewing, narrowest_eyes_mm: float = sources.EYES_SMALLEST_ADULT_MM.value
) -> ComfortLimits:
    """Keep far points closer together than the narrowest eyes that will look, lest they diverge.

    Sets no near limit. The default spares almost every adult; for children give 40 mm. Source: pupil
    distances from Dodgson (2004).
    """
    positive("narrowest_eyes_mm", narrowest_eyes_mm, "mm")
    far_mm = min(narrowest_eyes_mm, viewing.eyes_mm)
    eyes = sources.EYES_SMALLEST_ADULT_MM
    source = f"no divergence of eyes {far_mm:g} mm apart: {eyes.source}, {eyes.year}"
    return ComfortLimits(-math.inf, far_mm, -math.inf, mm_to_arcmin(viewing, far_mm), source)


COMFORT_RULES: Mapping[str, Callable[[Viewing], ComfortLimits]] = MappingProxyType(
    {
        "one-degree": one_degree_limits,
        "zone-of-comfort": zone_of_comfort_limits,
        "no-divergence": divergence_limits,
    }
)
"""The rules by name."""


def comfortable_limits(viewing: Viewing, rule: str) -> ComfortLimits:
    """Limits of one of COMFORT_RULES, and far points never farther apart than the narrowest eyes."""
    if rule not in COMFORT_RULES:
        raise NearpairError(
            f"rule must be one of {', '.join(COMFORT_RULES)}, found {rule!r}.", "Give one of these names."
        )
    limits, parallel = COMFORT_RULES[rule](viewing), divergence_limits(viewing)
    if limits.far_mm <= parallel.far_mm:
        return limits
    return _limits(viewing, limits.near_mm, parallel.far_mm, f"{limits.source}; {parallel.source}")


def _parallax_mm(viewing: Viewing, meeting_dpt: float) -> float:
    return viewing.eyes_mm * (1 - viewing.distance_mm / 1000 * meeting_dpt)


def _limits(viewing: Viewing, near_mm: float, far_mm: float, source: str) -> ComfortLimits:
    capped_mm = min(far_mm, viewing.eyes_mm)
    return ComfortLimits(
        near_mm, capped_mm, mm_to_arcmin(viewing, near_mm), mm_to_arcmin(viewing, capped_mm), source
    )
