"""Plane similarity transforms in pixel coordinates.

Axes: x to the right, y down, origin at the centre of the top-left pixel. A similarity about the
origin maps (x, y) to

    x' = a·x − b·y + shift_x_px
    y' = b·x + a·y + shift_y_px        with a = scale·cos(roll), b = scale·sin(roll)

so a positive roll turns content clockwise as seen on the screen (y points down).
Source: elementary plane geometry (Hartley & Zisserman, Multiple View Geometry, 2nd ed. 2004, section 2.4).
"""

import math
from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True)
class Similarity:
    """A similarity transform x' = A·x + shift, held by its two linear and two shift terms."""

    a: float = 1.0
    b: float = 0.0
    shift_x_px: float = 0.0
    shift_y_px: float = 0.0

    @classmethod
    def about(
        cls,
        centre_px: tuple[float, float],
        scale: float = 1.0,
        roll_deg: float = 0.0,
        shift_px: tuple[float, float] = (0.0, 0.0),
    ) -> Self:
        """Scale and roll about `centre_px` (x, y), then shift by `shift_px`."""
        angle = math.radians(roll_deg)
        a, b = scale * math.cos(angle), scale * math.sin(angle)
        cx, cy = centre_px
        return cls(a, b, cx - a * cx + b * cy + shift_px[0], cy - b * cx - a * cy + shift_px[1])

    @property
    def scale(self) -> float:
        """Magnification, > 0."""
        return math.hypot(self.a, self.b)

    @property
    def roll_deg(self) -> float:
        """Rotation in degrees, clockwise on the screen."""
        return math.degrees(math.atan2(self.b, self.a))

    def matrix(self) -> NDArray[np.float64]:
        """The (2, 3) matrix [A | shift]."""
        return np.array([[self.a, -self.b, self.shift_x_px], [self.b, self.a, self.shift_y_px]])

    def apply(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Map points of shape (..., 2), (x, y) in px."""
        m = self.matrix()
        return points_px @ m[:, :2].T + m[:, 2]

    def shift_at(self, point_px: tuple[float, float]) -> tuple[float, float]:
        """How far a point moves, (dx, dy) in px."""
        x, y = point_px
        moved = self.apply(np.array([x, y], dtype=np.float64))
        return float(moved[0] - x), float(moved[1] - y)

    def then(self, after: "Similarity") -> "Similarity":
        """The transform that applies this one first and `after` second."""
        return Similarity(
            after.a * self.a - after.b * self.b,
            after.b * self.a + after.a * self.b,
            after.a * self.shift_x_px - after.b * self.shift_y_px + after.shift_x_px,
            after.b * self.shift_x_px + after.a * self.shift_y_px + after.shift_y_px,
        )

    def inverse(self) -> "Similarity":
        """The transform that undoes this one."""
        norm = self.a * self.a + self.b * self.b
        a, b = self.a / norm, -self.b / norm
        return Similarity(
            a,
            b,
            -(a * self.shift_x_px - b * self.shift_y_px),
            -(b * self.shift_x_px + a * self.shift_y_px),
        )

    def resampled(self, factor: float) -> "Similarity":
        """The same transform for pictures whose side is `factor` times as long.

        Pixel centres stay on integers: full = (small + 1/2)·factor − 1/2.
        """
        # conjugation with the map between the two pixel grids
        grid = Similarity(factor, 0.0, (factor - 1) / 2, (factor - 1) / 2)
        return grid.inverse().then(self).then(grid)
