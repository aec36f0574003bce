"""Taking out rotation, scale and height between two views without touching the parallax that is depth.

Depth moves things sideways only. So the similarity is read from the *vertical* differences of matched points,
which depth cannot change, and never fitted to the horizontal ones:

    y₁ = (1 + α)·y₂ + β·x₂ + γ        α, β from rotation and scale, γ from height

and the second view is then turned and scaled by exactly that. What the two cameras' pitch and convergence
add (terms in x·y and y²: keystone) is estimated with it, so that it does not leak into α and β.
Source: small-angle image motion of a rotating camera, Longuet-Higgins & Prazdny, Proc. R. Soc. B 208, 1980.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearpair.geometry.transforms import Similarity
from nearpair.pairs.matches import Matches

F64 = NDArray[np.float64]

_TUKEY = 4.685
_FEWEST = 24
# Points this near to the common turn, scale and height agree with it (px of a picture for matching).
_AGREES_PX = 2.0
_FEWEST_AGREE = 0.4
_KEYSTONE_FROM = 200


@dataclass(frozen=True, slots=True)
class Rectified:
    """How the second view lies on the first one's rows."""

    second_to_first: Similarity
    """Maps second px to first px without any sideways shift of its own at the picture's centre."""
    residual_rms_px: float
    residual_p95_px: float
    inliers: NDArray[np.bool_]

    def __bool__(self) -> bool:
        """Return True: a fit was found."""
        return True


@dataclass(frozen=True, slots=True)
class NotRectified:
    """No trustworthy fit; `reason` is a sentence."""

    reason: str

    def __bool__(self) -> bool:
        """Return False: no fit was found."""
        return False


def rectify(found: Matches, size_px: tuple[int, int]) -> Rectified | NotRectified:
    """Estimate roll, scale and height of the second view against the first from matches (px)."""
    if len(found) < _FEWEST:
        return NotRectified(
            f"only {len(found)} points were found that both views share; {_FEWEST} are needed"
        )
    height, width = size_px
    centre = ((width - 1) / 2, (height - 1) / 2)
    radius = max(centre)
    x, y = ((found.second - centre) / radius).T
    target = found.first[:, 1] - found.second[:, 1]
    columns = [np.ones_like(x), x, y]
    if len(found) >= _KEYSTONE_FROM:
        columns += [x * y, y * y]
    design = np.column_stack(columns)
    solution, weight = _robust_fit(design, target)
    inliers = weight > 0
    # a robust spread grows with the disagreement: by weights alone any cloud of points would be one fit
    if np.mean(np.abs(target - design @ solution) < _AGREES_PX) < _FEWEST_AGREE:
        return NotRectified("the points that the views share do not lie on one turn, scale and height")
    roll = math.degrees(math.atan2(solution[1] / radius, 1 + solution[2] / radius))
    scale = math.hypot(solution[1] / radius, 1 + solution[2] / radius)
    transform = Similarity.about(centre, scale, roll, (0.0, float(solution[0])))
    left_over = _left_over(found.keep(inliers), transform)
    return Rectified(
        transform,
        float(np.sqrt(np.mean(left_over**2))),
        float(np.percentile(np.abs(left_over), 95)),
        inliers,
    )


def _left_over(found: Matches, transform: Similarity) -> F64:
    """Vertical differences that remain when the second view is moved by `transform`."""
    return np.asarray(transform.apply(found.second)[:, 1] - found.first[:, 1])


def _robust_fit(design: F64, target: F64) -> tuple[F64, F64]:
    weight: F64 = np.ones(len(target))
    solution: F64 = np.zeros(design.shape[1])
    for _ in range(30):
        root = np.sqrt(weight)
        solution[:] = np.linalg.lstsq(design * root[:, None], target * root, rcond=None)[0]
        residual = target - design @ solution
        spread = max(1.4826 * float(np.median(np.abs(residual))), 0.02)
        u = residual / (_TUKEY * spread)
        weight = np.asarray(np.where(np.abs(u) < 1, (1 - u * u) ** 2, 0.0), np.float64)
    return solution, weight
