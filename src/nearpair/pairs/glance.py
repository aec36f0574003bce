"""A quick look at one pair of stations: eyes, sideways shift and depth, from two small pictures.

A tenth of the time that the evidence for the chosen pair takes (`pairs.evidence`): fewer points, smaller
pictures, and no search for half-hidden strips, which matter only where eyes are in doubt.
"""

from dataclasses import dataclass

import numpy as np

from nearpair.geometry.projective import Projective
from nearpair.geometry.transforms import Similarity
from nearpair.pairs.disparity import match_rows
from nearpair.pairs.evidence import SmallView, compare_points
from nearpair.pairs.eyes import EyesFound, StackEvidence, decide
from nearpair.pairs.matches import Matches
from nearpair.pairs.onrows import on_rows
from nearpair.pairs.rectify import NotRectified
from nearpair.pixels.luma import Plane

FEATURES = 1500
"""Features to look for in each small view; see `pairs.matches`."""


@dataclass(frozen=True, slots=True, eq=False)
class Glance:
    """What two small views (h, w) say; `left` and `right` are where the eyes' views lie on common rows."""

    found: EyesFound
    shift_px: float
    """Median of x_first − x_second: how far the second station stands to the right, as a shift."""
    left: Similarity
    right: Projective
    disparity: Plane
    """Of the left view, as it lies, px; NaN where unknown."""


def glance(
    first: SmallView,
    second: SmallView,
    points: Matches,
    stacks: tuple[StackEvidence, StackEvidence],
) -> Glance | NotRectified:
    """Look at two small views of one size with the points they share; NotRectified if they do not fit."""
    evidence = compare_points(first, second, points, (stacks[0].name, stacks[1].name))
    if isinstance(evidence, NotRectified):
        return evidence
    found = decide(stacks, evidence)
    shift_px = float(np.median(evidence.disparities_px))
    if not found.first_is_left:
        first, second, points = second, first, Matches(points.second, points.first)
    laid = on_rows(first.luma, second.luma, points)
    if isinstance(laid, NotRectified):
        return laid
    disparity = match_rows(*laid.lumas, *laid.range_px).px
    return Glance(found, shift_px, laid.first, laid.second, disparity)
