"""Highlights that one eye has and the other lacks: reflections on gloss, or defocus in one view only.

A matched block counts when it is bright for one eye and less than half as bright for the other, in linear
light (thresholds are a choice of this project). Reflections lie elsewhere for each eye by nature; where they
are many, they glitter instead of lying in depth.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearpair.colour.light import luminance
from nearpair.colour.match import Grid, Light, partners

BRIGHT, DIM_SHARE = 0.5, 0.5


@dataclass(frozen=True, slots=True, eq=False)
class Highlights:
    """Blocks (h, w) that are bright for one eye only, and their share of the matched ones."""

    left_only: NDArray[np.bool_]
    right_only: NDArray[np.bool_]
    share: float | None


def highlights(left: Light, right: Light, on: Grid) -> Highlights:
    """Compare two block pictures (h, w, 3) in linear light."""
    known = np.isfinite(on.partner)
    one = np.asarray(luminance(left), np.float32)
    other = partners(np.asarray(luminance(right), np.float32), on)
    left_only = known & (one > BRIGHT) & (other < DIM_SHARE * one)
    right_only = known & (other > BRIGHT) & (one < DIM_SHARE * other)
    share = float((left_only | right_only).sum() / known.sum()) if known.any() else None
    return Highlights(left_only, right_only, share)
