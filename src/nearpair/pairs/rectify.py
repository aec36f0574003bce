"""Taking out what was wrong with the second camera without touching the parallax that is depth.

Depth moves things sideways only. So everything is read from the *vertical* differences of matched points,
which depth cannot change, and never fitted to the horizontal ones. A camera that was turned a little (roll,
pitch, yaw), zoomed or raised gives, with x and y counted from the picture's centre,

    y₁ = (β·x₂ + α·y₂ + γ) / (1 + p·x₂ + q·y₂)

α, β from scale and roll, γ from height, p and q from yaw and pitch: keystone. The sideways part follows from
the same numbers, because one rotation makes both:

    x₁ = (α·x₂ − β·y₂) / (1 + p·x₂ + q·y₂)

but for a constant, which the window takes up. p and q count only where the points speak for them clearly;
else it is a similarity. Source: Hartley & Zisserman, Multiple View Geometry, 2nd ed. 2004, section 8.4 (the
homography of a turned camera); to first order Longuet-Higgins & Prazdny, Proc. R. Soc. B 208, 1980.

Where the stereo base is not parallel to the rows (both cameras rolled alike), near things lie higher in one
view than far ones: a term ε·(x₁ − x₂). It is estimated with the others, and both views are then turned by it.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearpair.geometry.projective import Projective
from nearpair.geometry.transforms import Similarity
from nearpair.pairs.matches import Matches

F64 = NDArray[np.float64]

_TUKEY = 4.685
_FEWEST = 24
# Points this near to the common turn, scale and height agree with it (px of a picture for matching).
_AGREES_PX = 2.0
_FEWEST_AGREE = 0.4
# Height, turn and scale always; then yaw and pitch, and the inclined base, if the points speak for them:
# at least so many times the standard error, and so large an effect (px rms over the points).
_ALWAYS, _BASE = 3, 5
_CLEAR_ERRORS = 5.0
_CLEAR_PX = (0.05, 0.05, 0.15)
_EXTRA_FROM = 60
_STEEPEST = 0.1
"""Keystone and slope of the base beyond this (1 in 10) are no small misalignment, but wrong points."""


@dataclass(frozen=True, slots=True)
class Rectified:
    """How the second view lies on the first one's rows."""

    second_to_first: Projective
    """Maps second px to first px without any sideways shift of its own at the picture's centre."""
    residual_rms_px: float
    residual_p95_px: float
    inliers: NDArray[np.bool_]
    base_deg: float = 0.0
    """Slope of the stereo base against the rows, clockwise; both views must be turned by its opposite."""
    apart_px: float = 0.0
    """Median disparity of the points, at which `second_to_first` gives the same height if the base slopes."""

    def __bool__(self) -> bool:
        """Return True: a fit was found."""
        return True

    def level(self, size_px: tuple[int, int]) -> tuple[Similarity, Projective]:
        """What lays each view, first and second, so that the base runs along the rows.

        The first view only turns, about its middle, and stays as it is when the base does not slope.
        """
        if self.base_deg == 0.0:
            return Similarity(), self.second_to_first
        turn = Similarity.about(_middle(size_px), 1.0, -self.base_deg)
        raised = Similarity(shift_y_px=-math.tan(math.radians(self.base_deg)) * self.apart_px)
        return turn, self.second_to_first.then(raised).then(turn)


@dataclass(frozen=True, slots=True)
class NotRectified:
    """No trustworthy fit; `reason` is a sentence."""

    reason: str

    def __bool__(self) -> bool:
        """Return False: no fit was found."""
        return False


@dataclass(frozen=True, slots=True)
class _Fit:
    """α − 1, β, γ, p, q, ε in units of the picture's radius (px for γ, β, α − 1), and the points' weights."""

    terms: F64
    weight: F64
    left_over: F64


def rectify(
    found: Matches, size_px: tuple[int, int], focal_px: float | None = None
) -> Rectified | NotRectified:
    """Estimate roll, scale, height, pitch and yaw of the second view against the first from matches (px).

    focal_px: distance of picture and lens in px, if known; then what a turned camera does to the proportions
    of its picture (one in 6600 for one degree) is taken out too.
    """
    if len(found) < _FEWEST:
        return NotRectified(
            f"only {len(found)} points were found that both views share; {_FEWEST} are needed"
        )
    centre = _middle(size_px)
    radius = max(centre)
    fit = _fit(found, centre, radius, Projective())
    if fit.terms[_BASE]:
        # the slope of the base is known from sideways differences: once more with the turn taken out of them
        fit = _fit(found, centre, radius, _transform(fit, centre, radius, None))
    # a robust spread grows with the disagreement: by weights alone any cloud of points would be one fit
    if np.mean(np.abs(fit.left_over) < _AGREES_PX) < _FEWEST_AGREE:
        return NotRectified("the points that the views share do not lie on one turn, scale and height")
    transform = _transform(fit, centre, radius, focal_px)
    inliers = fit.weight > 0
    kept = found.keep(inliers)
    apart = kept.first - transform.apply(kept.second)
    middle = float(np.median(apart[:, 0]))
    left_over = apart[:, 1] - fit.terms[_BASE] * (apart[:, 0] - middle)
    return Rectified(
        transform,
        float(np.sqrt(np.mean(left_over**2))),
        float(np.percentile(np.abs(left_over), 95)),
        inliers,
        math.degrees(math.atan(fit.terms[_BASE])),
        middle,
    )


def _middle(size_px: tuple[int, int]) -> tuple[float, float]:
    return (size_px[1] - 1) / 2, (size_px[0] - 1) / 2


def _fit(found: Matches, centre: tuple[float, float], radius: float, so_far: Projective) -> _Fit:
    """Fit all terms, then drop the ones that the points do not speak for, the weakest first."""
    x, y = ((found.second - centre) / radius).T
    target = found.first[:, 1] - found.second[:, 1]
    above = (found.first[:, 1] - centre[1]) / radius
    apart = found.first[:, 0] - so_far.apply(found.second)[:, 0]
    design = np.column_stack([np.ones_like(x), x, y, -x * above, -y * above, apart - np.median(apart)])
    used = list(range(6 if len(found) >= _EXTRA_FROM else _ALWAYS))
    while True:
        solution, weight = _robust_fit(design[:, used], target)
        weakest = _weakest(design[:, used], target, solution, weight, used, radius)
        if weakest is None:
            break
        used.remove(weakest)
    terms = np.zeros(6)
    terms[used] = solution
    return _Fit(terms, weight, target - design @ terms)


def _weakest(
    design: F64, target: F64, solution: F64, weight: F64, used: list[int], radius: float
) -> int | None:
    """The least certain of the terms that are too uncertain, too weak, or too strong to be believed."""
    if len(used) == _ALWAYS:
        return None
    root = np.sqrt(weight)[:, None]
    left_over = (target - design @ solution) * root[:, 0]
    freedom = max(float(np.sum(weight)) - len(used), 1.0)
    variance = max(float(left_over @ left_over) / freedom, 0.02**2)
    spread = np.sqrt(variance * np.diag(np.linalg.pinv((design * root).T @ (design * root))))
    effect = np.abs(solution) * np.std(design[weight > 0], axis=0) if np.any(weight > 0) else solution * 0
    doubtful = []
    for k, term in enumerate(used[_ALWAYS:], start=_ALWAYS):
        errors = abs(solution[k]) / max(float(spread[k]), 1e-12)
        slope = abs(solution[k]) if term == _BASE else abs(solution[k]) / radius
        if errors < _CLEAR_ERRORS or effect[k] < _CLEAR_PX[term - _ALWAYS] or slope > _STEEPEST:
            doubtful.append((errors, term))
    return min(doubtful)[1] if doubtful else None


def _transform(fit: _Fit, centre: tuple[float, float], radius: float, focal_px: float | None) -> Projective:
    height, turn, stretch, yaw, pitch, _ = fit.terms
    a, b = 1 + stretch / radius, turn / radius
    p, q = yaw / radius**2, pitch / radius**2
    about = np.array([[a, -b, 0.0], [b, a, height], [p, q, 1.0]])
    if focal_px is not None:
        about[:2, :2] += _proportions(focal_px * p, focal_px * q)
    to_centre = np.array([[1, 0, -centre[0]], [0, 1, -centre[1]], [0, 0, 1.0]])
    moved = np.linalg.inv(to_centre) @ about @ to_centre
    back = Projective.of(moved)
    dx, _ = back.shift_at(centre)
    return back.then(Similarity(shift_x_px=-dx))


def _proportions(yaw: float, pitch: float) -> F64:
    """What a turn adds to the upper left of K·R·K⁻¹ beside the similarity, to second order (angles in rad).

    With the third row (−u, w) of the least turn, it is (I − u·uᵀ/(1 + w))/w. The fit has set the lower row
    right, which is what heights tell, so the upper row is what is off.
    """
    return np.array([[(pitch * pitch - yaw * yaw) / 2, -yaw * pitch], [0.0, 0.0]])


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
