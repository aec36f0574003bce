"""Usual ways of looking at a picture, as sizes: where the viewing conditions are not known more exactly.

The picture is taken to fill the width named. All sizes are common practice, no source: what is sold and how
it is held or hung; the lens of a hand viewer decides at which distance its picture is seen.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType


@dataclass(frozen=True, slots=True)
class Preset:
    """A way of looking: width of the picture and distance of the eyes in mm, and what it stands for."""

    screen_width_mm: float
    distance_mm: float
    about: str


PRESETS: Mapping[str, Preset] = MappingProxyType(
    {
        "screen": Preset(600.0, 600.0, "a desktop monitor of 27 inches at arm's length"),
        "print": Preset(300.0, 400.0, "an A4 print across, held in the hands"),
        "projector": Preset(2000.0, 3000.0, "a projection 2 m wide, seen from 1.5 times its width"),
        "hand-viewer": Preset(
            75.0,
            250.0,
            "one view 75 mm wide in a hand viewer, whose lenses show it so far away",
        ),
        "phone": Preset(145.0, 300.0, "a phone held across"),
    }
)
"""By name."""
