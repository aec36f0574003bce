"""Base, step, distance and scale of one shoot, adjusted to all that is known of them.

Four lengths describe a shoot: the step, the stereo base, the distance u of the plane of focus from the
entrance pupil, and the size of a pixel in that plane (mm/px). What is stated and what is measured ties them
together in products, so their logarithms are adjusted by least squares, each observation weighed by its
relative standard error; the lens' equation is linearised. Source: adjustment of observations by least squares
(C. F. Gauss, Theoria combinationis observationum, 1823), from memory.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from nearpair.optics import sources
from nearpair.optics.checks import positive

F64 = NDArray[np.float64]
Name = Literal["step", "base", "distance", "scale"]

NAMES: tuple[Name, ...] = ("step", "base", "distance", "scale")
_STEP, _BASE, _DISTANCE, _SCALE = range(4)

KNOWN_SIGMA = 0.2
"""A length whose relative standard error is larger than this is not known."""

# ln mm: where the search begins (a 100 mm lens at half life size), and how little that is believed
_START = (0.0, math.log(10.0), math.log(300.0), math.log(0.02))
_VAGUE = 5.0
_ROUNDS, _LONGEST_STEP = 60, 1.0


@dataclass(frozen=True, slots=True)
class Observation:
    """One thing that is known: a weighted sum of the four logarithms, to a relative standard error.

    `ln_pixel`, the logarithm of a pixel's size in mm, takes off ln(1 + scale/pixel), which is how
    magnification enters the lens' equation.
    """

    name: str
    weights: tuple[float, float, float, float]
    value: float
    sigma: float
    ln_pixel: float | None = None

    def at(self, x: F64) -> tuple[float, F64]:
        """Return its value for the logarithms `x`, and its derivatives."""
        slope = np.array(self.weights, np.float64)
        found = float(slope @ x)
        if self.ln_pixel is not None:
            z = float(x[_SCALE]) - self.ln_pixel
            found -= float(np.logaddexp(0.0, z))
            slope[_SCALE] -= 1 / (1 + math.exp(-z))
        return found, slope


@dataclass(frozen=True, slots=True)
class Estimate:
    """A length in mm (mm/px for the scale), and its relative standard error."""

    value: float
    sigma: float

    @property
    def is_known(self) -> bool:
        """Whether it is known well enough to be told."""
        return self.sigma <= KNOWN_SIGMA

    @property
    def error(self) -> float:
        """Two standard errors, in mm: 19 of 20 true values lie within."""
        return 2 * self.sigma * self.value


@dataclass(frozen=True, slots=True)
class Adjusted:
    """The four lengths with their joint uncertainty."""

    ln: F64
    covariance: F64

    def of(self, *weights: float) -> Estimate:
        """A product of powers of step, base, distance and scale."""
        w = np.array(weights, np.float64)
        return Estimate(math.exp(float(w @ self.ln)), math.sqrt(float(w @ self.covariance @ w)))

    def named(self, name: Name) -> Estimate:
        """One of the four."""
        return self.of(*(float(name == other) for other in NAMES))


def stated(name: Name, value: float, sigma: float) -> Observation:
    """Tell a length that somebody measured (mm; mm/px for the scale)."""
    positive(f"{name}_mm", value, "mm")
    weights = [float(name == other) for other in NAMES]
    return Observation(
        f"stated {name}", (weights[0], weights[1], weights[2], weights[3]), math.log(value), sigma
    )


def recorded(step_mm: float, sigma: float) -> Observation:
    """Tell the step by the focus distances that a camera recorded in its frames."""
    positive("step_mm", step_mm, "mm")
    return Observation("recorded", (1.0, 0.0, 0.0, 0.0), math.log(step_mm), sigma)


def from_rail(change: float, sigma: float) -> Observation:
    """What registration says of a rail stack: step over distance, see `metric.distance_from_rail_mm`."""
    positive("change", change)
    return Observation("rail", (1.0, 0.0, -1.0, 0.0), math.log(change), sigma)


def from_disparity(focus_px: float, sigma: float, name: str = "disparity") -> Observation:
    """Disparity that counts from infinity, at the plane of focus: base over mm/px."""
    positive("focus_px", focus_px, "px")
    return Observation(name, (0.0, 1.0, 0.0, -1.0), math.log(focus_px), sigma)


def from_course(px_per_frame: float, sigma: float) -> Observation:
    """How the disparity of the plane of focus grows from frame to frame, at the reference frame.

    d = B·v/Z, so Δd = B·v·s/u² = (B/g)·(s/u), with g = u/v in mm/px.
    """
    positive("px_per_frame", px_per_frame, "px")
    return Observation("course", (1.0, 1.0, -1.0, -1.0), math.log(px_per_frame), sigma)


def from_lens(
    focal_mm: float, pixel_um: float, sigma: float = sources.MARKED_LENS_ERROR.value
) -> Observation:
    """The lens' equation u = f·(1 + 1/m), with m = pixel over mm/px, see `lens.subject_distance_mm`."""
    positive("focal_mm", focal_mm, "mm")
    positive("pixel_um", pixel_um, "um")
    return Observation("lens", (0.0, 0.0, 1.0, 0.0), math.log(focal_mm), sigma, math.log(pixel_um / 1000))


def adjust(observations: Sequence[Observation]) -> Adjusted:
    """Adjust the four lengths. What nothing ties down comes out with a sigma far above KNOWN_SIGMA."""
    start = np.array(_START)
    x, vague = start.copy(), np.eye(4) / _VAGUE**2
    normal = vague
    for _ in range(_ROUNDS):
        normal, right = vague.copy(), vague @ (start - x)
        for one in observations:
            found, slope = one.at(x)
            normal += np.outer(slope, slope) / one.sigma**2
            right += slope * (one.value - found) / one.sigma**2
        move = np.linalg.solve(normal, right)
        x = x + move * min(1.0, _LONGEST_STEP / max(float(np.abs(move).max()), 1e-12))
        if float(np.abs(move).max()) < 1e-10:
            break
    return Adjusted(x, np.asarray(np.linalg.inv(normal), np.float64))


def differs(one: Estimate, other: Estimate) -> bool:
    """Whether two independent estimates of one length differ by more than two standard errors."""
    return abs(math.log(one.value / other.value)) > 2 * math.hypot(one.sigma, other.sigma)
