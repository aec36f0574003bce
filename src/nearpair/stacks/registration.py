"""From steps between neighbouring frames to the place of every frame on the reference frame.

A step maps frame k onto frame k−1. Steps are measured (see `align`), smoothed when the stack was driven
evenly and did not shake, and they are then added up, not multiplied blindly.

* ring stack: the entrance pupil stays, so everything scales alike and the steps' scales multiply;
* rail stack: the camera moves, and the plane that frame i has in focus always lies at the same distance u.
  Seen from the reference frame it lies at u + (z_i − z_r), so it has to be scaled by
  u / (u + z_i − z_r) = 1 / (1 + c_i − c_r), where a step of scale s between neighbours means
  Δc = 2(1 − s)/(1 + s) for the plane half way between the two planes of focus.
  Multiplying the steps instead would draw a perspective that no camera position has
  (0.7 % too small at the far end of a 25 mm stack seen from 210 mm).

Source: the thin lens and similar triangles; scale of a plane u/(u − Δz): shared check values, section 7.7.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from nearpair.geometry.transforms import Similarity
from nearpair.stacks.align import Alignment

Kind = Literal["rail", "ring", "single"]

# Errors of a step are about this many times its standard error (rms 2 to 8, measured on ray-traced stacks
# with known steps): where little is sharp, the weights of the robust fit have much to choose from.
_ERROR_TO_SIGMA = 6.0
_SMOOTH_FROM_STEPS = 6
_DEGREES = (0, 1, 2)
# squared errors, in variances, beyond this say no more
_OUTLIER = 9.0
# a stand shakes when well-measured steps leave their course by more than this many times their variance
_STEADY = 4.0
# Steps of an even drive repeat to within 5 % (ray-traced stacks); a missing frame makes 2 of 1.
_WIDE, _BY_HAND, _TELLING_STEP = 1.6, 0.15, 5e-4
# steps this many standard deviations from the others are no jitter
_KNOCK = 5.0


@dataclass(frozen=True, slots=True)
class Step:
    """Frame k onto frame k−1, about the picture's centre; shifts in px of the full frame."""

    ln_scale: float
    roll_deg: float
    shift_px: tuple[float, float]
    sigma: tuple[float, float, float, float]
    """Standard errors of ln_scale, roll_deg and the two shifts."""
    on_rail: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    """What is added to ln_scale, roll_deg and the two shifts when it was the camera that moved."""

    def of(self, kind: Kind) -> "Step":
        """The step in a stack of a certain kind."""
        if kind != "rail":
            return self
        ln_scale, roll_deg, x_px, y_px = self.on_rail
        shift_px = (self.shift_px[0] + x_px, self.shift_px[1] + y_px)
        return Step(self.ln_scale + ln_scale, self.roll_deg + roll_deg, shift_px, self.sigma)


def step_from(alignment: Alignment, size_px: tuple[int, int]) -> Step:
    """Read a step off a measured alignment (frame k px → frame k−1 px)."""
    transform, centre = alignment.transform, _centre(size_px)
    radius = max(centre)
    scale, roll, dx, dy = alignment.sigma_px
    sigma = (scale / radius, math.degrees(roll / radius), dx, dy)
    return Step(math.log(transform.scale), transform.roll_deg, transform.shift_at(centre), sigma)


def _centre(size_px: tuple[int, int]) -> tuple[float, float]:
    height, width = size_px
    return (width - 1) / 2, (height - 1) / 2


def of_either_kind(lens: Sequence[Step], camera: Sequence[Step]) -> tuple[Step, ...]:
    """Join steps as they are if the lens moved with those as they are if the camera moved."""
    return tuple(
        replace(
            one,
            on_rail=(
                other.ln_scale - one.ln_scale,
                other.roll_deg - one.roll_deg,
                other.shift_px[0] - one.shift_px[0],
                other.shift_px[1] - one.shift_px[1],
            ),
        )
        for one, other in zip(lens, camera, strict=True)
    )


def smoothed(steps: Sequence[Step]) -> tuple[Step, ...]:
    """Pull steps towards an even drive, as far as they are uncertain.

    A polynomial of the step number, of the lowest degree that explains them, is fitted robustly to the
    magnifications; where the stand does not shake, roll and shifts are taken to repeat. How far
    well-measured steps really leave that says how unevenly the stack was driven; each step keeps that share
    of its own value (best linear combination of two estimates of known variance). Fewer than six steps stay
    as they are.
    """
    if len(steps) < _SMOOTH_FROM_STEPS:
        return tuple(steps)
    variance = (np.array([s.sigma for s in steps]) * _ERROR_TO_SIGMA) ** 2 + 1e-14
    values = np.array([s.ln_scale for s in steps])
    scale = _evened(values, variance[:, 0], _course(values, variance[:, 0]))
    roll = _steadied(np.array([s.roll_deg for s in steps]), variance[:, 1])
    dx, dy = (_steadied(np.array([s.shift_px[k] for s in steps]), variance[:, 2 + k]) for k in range(2))
    return tuple(
        replace(s, ln_scale=float(m), roll_deg=float(r), shift_px=(float(x), float(y)))
        for s, m, r, x, y in zip(steps, scale, roll, dx, dy, strict=True)
    )


def _steadied(values: NDArray[np.float64], variance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Roll or shift of a stand that does not shake: the same in all steps; of one that does: as measured.

    All or nothing: a frame that jumps aside comes back, so its two steps belong together, and smoothing them
    one by one lets the frames walk away.
    """
    course = _robust_polynomial(values, variance, 0)
    sure = variance <= np.median(variance)
    shake = 1.4826 * float(np.median(np.abs(values - course)[sure]))
    is_steady = shake**2 <= _STEADY * float(np.median(variance[sure]))
    return _evened(values, variance, course) if is_steady else values


def _evened(
    values: NDArray[np.float64], variance: NDArray[np.float64], trend: NDArray[np.float64]
) -> NDArray[np.float64]:
    residual = values - trend
    sure = variance <= np.median(variance)
    uneven = max(0.0, float((1.4826 * np.median(np.abs(residual[sure]))) ** 2 - np.median(variance[sure])))
    keep = uneven / (uneven + variance)
    # a step far outside the even drive is a fact of the shoot, not an error of measurement
    keep = np.where(residual**2 > 25 * (uneven + variance), 1.0, keep)
    return np.asarray(trend + keep * residual)


def _course(values: NDArray[np.float64], variance: NDArray[np.float64]) -> NDArray[np.float64]:
    """The polynomial that explains the values best for its degree (Schwarz, Annals of Statistics 6(2), 1978).

    A rail's steps repeat; those of a lens grow or shrink slowly along the stack.
    """
    count = len(values)

    def cost(fit: NDArray[np.float64], degree: int) -> float:
        off = np.minimum((values - fit) ** 2 / variance, _OUTLIER)
        return count * math.log(float(np.mean(off)) + 1e-9) + (degree + 1) * math.log(count)

    fits = [_robust_polynomial(values, variance, degree) for degree in _DEGREES]
    return min(zip(fits, _DEGREES, strict=True), key=lambda found: cost(*found))[0]


def _robust_polynomial(
    values: NDArray[np.float64], variance: NDArray[np.float64], degree: int
) -> NDArray[np.float64]:
    at = np.linspace(-1, 1, len(values))
    design = np.vander(at, degree + 1)
    weight = 1 / variance
    fit = values
    for _ in range(10):
        root = np.sqrt(weight)[:, None]
        solution = np.linalg.lstsq(design * root, values * root[:, 0], rcond=None)[0]
        fit = design @ solution
        spread = 1.4826 * np.median(np.abs(values - fit)) + 1e-9
        weight = 1 / (variance * (1 + ((values - fit) / (2 * spread)) ** 2) ** 2)
    return fit


def wide_steps(steps: Sequence[Step]) -> tuple[tuple[int, float], ...]:
    """Steps that are much wider than their neighbours in an evenly driven stack: (number, times as wide).

    Step k lies between the frames k and k + 1. A frame that is missing doubles the change of magnification.
    Empty when magnification hardly changes or the stack was driven by hand: then a wide step says nothing.
    """
    drive = drive_of(steps)
    if drive.is_even is not True:
        return ()
    return tuple((k, float(r)) for k, r in enumerate(drive.ratios) if r > _WIDE)


@dataclass(frozen=True, slots=True)
class Drive:
    """How evenly a stack was driven: each step over the steps around it, by the change of magnification.

    is_even is None, and ratios empty, when magnification changes too little, or steps are too few, to tell.
    """

    ratios: tuple[float, ...]
    is_even: bool | None


def drive_of(steps: Sequence[Step]) -> Drive:
    """Compare each step with its neighbours."""
    sizes = np.array([s.ln_scale for s in steps])
    if len(sizes) < _SMOOTH_FROM_STEPS or abs(float(np.median(sizes))) < _TELLING_STEP:
        return Drive((), None)
    ratios = np.array([size / _beside(sizes, k) for k, size in enumerate(sizes)])
    spread = 1.4826 * float(np.median(np.abs(ratios - 1)))
    return Drive(tuple(ratios.tolist()), spread <= _BY_HAND)


def _beside(sizes: NDArray[np.float64], k: int) -> float:
    """The usual size of the steps around step k."""
    around = np.concatenate([sizes[max(0, k - 4) : k], sizes[k + 1 : k + 5]])
    return float(np.median(around))


def magnifications(steps: Sequence[Step], kind: Kind, reference: int) -> NDArray[np.float64]:
    """Scale that puts each frame's own plane of focus on the reference frame, shape (frames,)."""
    steps = [step.of(kind) for step in steps]
    if kind == "rail":
        moved = -np.cumsum([0.0] + [2 * math.tanh(s.ln_scale / 2) for s in steps])
        return np.asarray(1 / (1 + moved - moved[reference]))
    logs = np.cumsum([0.0] + [s.ln_scale for s in steps])
    return np.asarray(np.exp(logs - logs[reference]))


def error_of_scale(steps: Sequence[Step]) -> float:
    """Standard error of the mean change of ln scale a step, as errors of steps turned out to be."""
    sigma = np.array([step.sigma[0] for step in steps]) * _ERROR_TO_SIGMA
    return float(np.sqrt(np.sum(sigma**2))) / max(1, len(steps))


def placed(
    steps: Sequence[Step], kind: Kind, reference: int, size_px: tuple[int, int]
) -> tuple[Similarity, ...]:
    """The map frame i px → reference frame px for every frame, in shooting order."""
    centre = _centre(size_px)
    steps = [step.of(kind) for step in steps]
    scales = magnifications(steps, kind, reference)
    drift = _drift(steps) if kind == "rail" else (0.0, 0.0)
    to_first = [Similarity()]
    for s in steps:
        jitter = (s.shift_px[0] - drift[0], s.shift_px[1] - drift[1])
        here = Similarity.about(centre, math.exp(s.ln_scale), s.roll_deg, jitter)
        to_first.append(here.then(to_first[-1]))
    back = to_first[reference].inverse()
    result = []
    for i, first in enumerate(to_first):
        chained = first.then(back)
        dx, dy = chained.shift_at(centre)
        travel = (i - reference) * float(scales[i])
        shift = (dx + drift[0] * travel, dy + drift[1] * travel)
        result.append(Similarity.about(centre, float(scales[i]), chained.roll_deg, shift))
    return tuple(result)


def _drift(steps: Sequence[Step]) -> tuple[float, float]:
    """The even part of the sideways steps: a rail not quite parallel to the axis (px a step).

    A mean, because jitter cancels in it, of all steps but knocks.
    """
    if len(steps) < _SMOOTH_FROM_STEPS:
        return 0.0, 0.0
    shifts = np.array([s.shift_px for s in steps])
    away = np.abs(shifts - np.median(shifts, axis=0))
    even = away <= _KNOCK * 1.4826 * np.median(away, axis=0) + 1e-9
    middle = np.mean(shifts, axis=0, where=even)
    return float(middle[0]), float(middle[1])


def reference_end(steps: Sequence[Step]) -> int:
    """The end of the stack that sees the smallest field, which all other frames cover: 0 or the last."""
    # frame k onto frame k−1 shrinks (ln scale < 0) when frame k is the larger, so sees less
    total = sum(s.ln_scale for s in steps)
    return len(steps) if total < 0 else 0
