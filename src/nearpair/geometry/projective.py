"""Plane projective transforms in pixel coordinates: what turning a camera does to its picture.

A point (x, y) goes to (u/w, v/w) with (u, v, w) = M·(x, y, 1). Axes as in `geometry.transforms`.
Source: Hartley & Zisserman, Multiple View Geometry, 2nd ed. 2004, sections 2.3 and 8.4.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearpair.geometry.transforms import Similarity

F64 = NDArray[np.float64]
Row = tuple[float, float, float]


@dataclass(frozen=True, slots=True)
class Projective:
    """A projective transform held by the rows of its matrix, scaled so that the last number is 1."""

    first: Row = (1.0, 0.0, 0.0)
    second: Row = (0.0, 1.0, 0.0)
    third: Row = (0.0, 0.0, 1.0)

    @classmethod
    def of(cls, matrix: F64) -> "Projective":
        """From a (3, 3) matrix whose last number is not 0, or a (2, 3) one of an affine transform."""
        whole = matrix if len(matrix) == 3 else np.vstack([matrix, [0.0, 0.0, 1.0]])
        rows = (whole / whole[2, 2]).tolist()
        return cls(tuple(rows[0]), tuple(rows[1]), tuple(rows[2]))

    @classmethod
    def like(cls, similarity: Similarity) -> "Projective":
        """The same transform as a similarity."""
        return cls.of(similarity.matrix())

    @property
    def affine(self) -> bool:
        """Whether parallel lines stay parallel: no keystone."""
        return self.third[0] == 0.0 and self.third[1] == 0.0

    def matrix(self) -> F64:
        """The (3, 3) matrix M."""
        return np.array([self.first, self.second, self.third])

    def apply(self, points_px: F64) -> F64:
        """Map points of shape (..., 2), (x, y) in px."""
        m = self.matrix()
        moved = points_px @ m[:, :2].T + m[:, 2]
        return np.asarray(moved[..., :2] / moved[..., 2:])

    def shift_at(self, point_px: tuple[float, float]) -> tuple[float, float]:
        """How far a point moves, (dx, dy) in px."""
        moved = self.apply(np.array(point_px, dtype=np.float64))
        return float(moved[0] - point_px[0]), float(moved[1] - point_px[1])

    def nearest_similarity(self, point_px: tuple[float, float]) -> Similarity:
        """The similarity that does the same around a point: its place, turn and mean scale (Jacobian)."""
        m = self.matrix()
        x, y = point_px
        u, v, w = m @ np.array([x, y, 1.0])
        jacobian = (m[:2, :2] - np.outer([u / w, v / w], m[2, :2])) / w
        a, b = (jacobian[0, 0] + jacobian[1, 1]) / 2, (jacobian[1, 0] - jacobian[0, 1]) / 2
        return Similarity(a, b, u / w - a * x + b * y, v / w - b * x - a * y)

    def then(self, after: "Projective | Similarity") -> "Projective":
        """The transform that applies this one first and `after` second."""
        second = Projective.like(after) if isinstance(after, Similarity) else after
        return Projective.of(second.matrix() @ self.matrix())

    def inverse(self) -> "Projective":
        """The transform that undoes this one."""
        return Projective.of(np.asarray(np.linalg.inv(self.matrix()), np.float64))

    def resampled(self, factor: float) -> "Projective":
        """The same transform for pictures whose side is `factor` times as long.

        Pixel centres stay on integers: full = (small + 1/2)·factor − 1/2.
        """
        grid = Projective.like(Similarity(factor, 0.0, (factor - 1) / 2, (factor - 1) / 2))
        return grid.inverse().then(self).then(grid)


def turned_camera(focal_px: float, centre_px: tuple[float, float], angles_deg: Row) -> Projective:
    """What turning a camera does to its picture: K·R·K⁻¹ (section 8.4.2), the same for every depth.

    focal_px: distance of the picture from the lens's centre, in px; centre_px: where the axis meets it.
    angles_deg: (yaw, pitch, roll), done in this order: a positive yaw moves content to the right, a positive
    pitch moves it down, a positive roll turns it clockwise.
    """
    yaw, pitch, roll = (math.radians(angle) for angle in angles_deg)
    about_y = [[math.cos(yaw), 0, math.sin(yaw)], [0, 1, 0], [-math.sin(yaw), 0, math.cos(yaw)]]
    about_x = [[1, 0, 0], [0, math.cos(pitch), math.sin(pitch)], [0, -math.sin(pitch), math.cos(pitch)]]
    about_z = [[math.cos(roll), -math.sin(roll), 0], [math.sin(roll), math.cos(roll), 0], [0, 0, 1]]
    camera = np.array([[focal_px, 0, centre_px[0]], [0, focal_px, centre_px[1]], [0, 0, 1]])
    rotation = np.array(about_z) @ np.array(about_x) @ np.array(about_y)
    return Projective.of(camera @ rotation @ np.linalg.inv(camera))
