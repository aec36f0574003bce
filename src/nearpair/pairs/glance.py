"""A quick look at one pair of stations: eyes, sideways shift and depth, from two small pictures.

A tenth of the time that the evidence for the chosen pair takes (`pairs.evidence`): fewer points, smaller
pictures, and no search for half-hidden strips, which matter only where eyes are in doubt.
"""

from dataclasses import dataclass, replace

import numpy as np

from nearpair.geometry.projective import Projective
from nearpair.geometry.transforms import Similarity
from nearpair.pairs.disparity import match_rows
from nearpair.pairs.evidence import SmallView, evidence_of_points
from nearpair.pairs.eyes import EyesFound, StackEvidence, decide
from nearpair.pairs.matches import Matches, spread_out
from nearpair.pairs.onrows import laid_by
from nearpair.pairs.rectify import NotRectified, rectify
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
    # views are fitted to the left one, so the likely one is taken first: a wrong guess costs a second fit
    if len(points) and np.median(points.first[:, 0] - points.second[:, 0]) < 0:
        found = _glance(second, first, _exchanged(points), stacks[::-1])
        return found if isinstance(found, NotRectified) else _as_named(found)
    return _glance(first, second, points, stacks)


def _glance(
    first: SmallView, second: SmallView, points: Matches, stacks: tuple[StackEvidence, StackEvidence]
) -> Glance | NotRectified:
    rows = rectify(spread_out(points, _size(first)), _size(first))
    if isinstance(rows, NotRectified):
        return rows
    evidence = evidence_of_points(first, second, points, rows, (stacks[0].name, stacks[1].name))
    found = decide(stacks, evidence)
    shift_px = float(np.median(evidence.disparities_px))
    if not found.first_is_left:
        first, second, points = second, first, _exchanged(points)
        rows = rectify(spread_out(points, _size(first)), _size(first))
        if isinstance(rows, NotRectified):
            return rows
    laid = laid_by(first.luma, second.luma, points, rows)
    disparity = match_rows(*laid.lumas, *laid.range_px).px
    return Glance(found, shift_px, laid.first, laid.second, disparity)


def _as_named(found: Glance) -> Glance:
    """What was found with first and second exchanged."""
    eyes = found.found
    straight = replace(eyes, first_is_left=not eyes.first_is_left, orders=eyes.orders[::-1])
    return replace(found, found=straight, shift_px=-found.shift_px)


def _exchanged(points: Matches) -> Matches:
    return Matches(points.second, points.first)


def _size(view: SmallView) -> tuple[int, int]:
    return view.luma.shape[0], view.luma.shape[1]
