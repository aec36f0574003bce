"""Differences between the two views as they were shot, and what the stacks left unsharp.

Exposure and white balance are those of `colour.balance`, over matched points. Where mounting evened them, the
views differed by what mounting measured before, and what is measured here is what is left.
"""

from collections.abc import Sequence

import numpy as np

from nearpair.colour.balance import balance
from nearpair.colour.match import Light, Matched
from nearpair.proof.model import Capture, Station, ViewsLight


def capture(points: Matched, stations: Sequence[Station], shot: ViewsLight | None = None) -> Capture:
    """Exposure and colour differences over matched points; coverage of the stations of the pair.

    shot: what mounting measured of the views as they were shot, and whether it evened them.
    """
    found = balance(points.left, points.right)
    ratio, stops, shift = (None,) * 3 if found is None else (found.luminance, found.stops, found.shift)
    left_over: tuple[float | None, float | None] = None, None
    if shot is not None and shot.evened and shot.stops is not None:
        left_over = stops, shift
        ratio, stops, shift = 2**shot.stops, shot.stops, shot.white_balance_shift
    return Capture(
        exposure_ratio=ratio,
        exposure_stops=stops,
        white_balance_shift=shift,
        left_over_stops=left_over[0],
        left_over_shift=left_over[1],
        matched_share=points.share,
        covered_fraction=min((s.focus.covered_fraction for s in stations), default=None),
        unsharp_share=_unsharp_share(stations),
        gaps=sum(len(station.focus.gaps) for station in stations),
    )


def evened(left: Light, right: Light, exposure_ratio: float) -> tuple[Light, Light]:
    """Both pictures (h, w, 3), linear light, as bright as the darker one; the ratio is right over left."""
    return left * np.float32(min(1.0, exposure_ratio)), right * np.float32(min(1.0, 1 / exposure_ratio))


def _unsharp_share(stations: Sequence[Station]) -> float | None:
    """Largest share of a view that is not sharp, over the stations of one frame."""
    shares = [s.depth_of_field.unsharp_fraction for s in stations if s.depth_of_field is not None]
    return max((share for share in shares if share is not None), default=None)
