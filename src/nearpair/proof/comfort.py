"""Parallax as the viewer meets it, against the limits of comfort.

The rules and their sources are in `nearpair.optics.viewing`. A pair is within when it keeps to one degree
either side of the window and no eyes have to diverge; the zone of comfort, about twice as wide, is reported
beside it as the outer limit. The largest comfortable width is that of a screen or print at the same
distance.
"""

import math

from nearpair.optics.viewing import (
    COMFORT_RULES,
    ComfortLimits,
    Viewing,
    divergence_limits,
    mm_to_arcmin,
    one_degree_limits,
    px_to_arcmin,
    px_to_mm,
)
from nearpair.proof.model import Residual
from nearpair.proof.model_look import Comfort, Depth, Limit, ViewingConditions


def comfort(depth: Depth, residual: Residual, viewing: Viewing, width_px: int) -> Comfort:
    """Near and far of a pair `width_px` wide against every rule; vertical residuals as angles.

    An unknown depth leaves the measures null and counts as not within: nothing speaks for it.
    """
    near_mm = None if depth.near_px is None else px_to_mm(viewing, depth.near_px, width_px)
    far_mm = None if depth.far_px is None else px_to_mm(viewing, depth.far_px, width_px)
    limits = {name: _limit(rule(viewing), near_mm, far_mm) for name, rule in COMFORT_RULES.items()}
    return Comfort(
        viewing=ViewingConditions(
            screen_width_mm=viewing.screen_width_mm, distance_mm=viewing.distance_mm, eyes_mm=viewing.eyes_mm
        ),
        near_arcmin=None if near_mm is None else mm_to_arcmin(viewing, near_mm),
        far_arcmin=None if far_mm is None else mm_to_arcmin(viewing, far_mm),
        near_mm=near_mm,
        far_mm=far_mm,
        limits=limits,
        largest_screen_width_mm=_largest_width_mm(viewing, near_mm, far_mm),
        vertical_rms_arcmin=_arcmin(viewing, residual.rms, width_px),
        vertical_p95_arcmin=_arcmin(viewing, residual.p95, width_px),
        within=limits["one-degree"].within and limits["no-divergence"].within,
    )


def _limit(rule: ComfortLimits, near_mm: float | None, far_mm: float | None) -> Limit:
    within = near_mm is not None and far_mm is not None and rule.allow(near_mm, far_mm)
    return Limit(
        near_mm=_number(rule.near_mm),
        far_mm=_number(rule.far_mm),
        near_arcmin=_number(rule.near_arcmin),
        far_arcmin=_number(rule.far_arcmin),
        within=within,
        source=rule.source,
    )


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _arcmin(viewing: Viewing, residual_px: float | None, width_px: int) -> float | None:
    return None if residual_px is None else abs(px_to_arcmin(viewing, residual_px, width_px))


def _largest_width_mm(viewing: Viewing, near_mm: float | None, far_mm: float | None) -> float | None:
    """Width at which the first limit is met; None where depth is unknown or nothing limits the width."""
    if near_mm is None or far_mm is None:
        return None
    rules = (one_degree_limits(viewing), divergence_limits(viewing))
    growth = [rule.near_mm / near_mm for rule in rules if near_mm < 0 and math.isfinite(rule.near_mm)]
    growth += [rule.far_mm / far_mm for rule in rules if far_mm > 0]
    return viewing.screen_width_mm * min(growth) if growth else None
