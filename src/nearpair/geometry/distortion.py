"""Distortion of a lens: where it puts what a pinhole would show elsewhere, along the radius.

With r the distance from the picture's centre in a unit of length that belongs to the lens,

    poly3:  r' = r·(1 − k + k·r²)
    poly5:  r' = r·(1 + k₁·r² + k₂·r⁴)
    ptlens: r' = r·(a·r³ + b·r² + c·r + 1 − a − b − c)

r of the straight picture, r' of the one the lens makes. Source: lensfun's manual, section on its models of
distortion (lfDistortionModel), from memory; the tests hold them against the library's own coordinates.
"""

from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

F64 = NDArray[np.float64]
Rectangle = tuple[float, float, float, float]
Model = Literal["poly3", "poly5", "ptlens"]

_ROUNDS, _SETTLED = 30, 1e-10
_HALVINGS, _ALONG = 20, 65


@dataclass(frozen=True, slots=True)
class Distortion:
    """A lens on one size of picture. terms: (k, –, –), (k₁, k₂, –) or (a, b, c); unit_px: length of r = 1."""

    model: Model
    terms: tuple[float, float, float]
    unit_px: float

    def ratio(self, r: NDArray[np.floating[Any]]) -> F64:
        """r'/r at distances r of the straight picture."""
        r = np.asarray(r, np.float64)
        one, two, three = self.terms
        if self.model == "poly3":
            return np.asarray(1 - one + one * r**2, np.float64)
        if self.model == "poly5":
            return np.asarray(1 + one * r**2 + two * r**4, np.float64)
        return np.asarray(one * r**3 + two * r**2 + three * r + 1 - one - two - three, np.float64)

    def bent(self, points_px: F64, size_px: tuple[int, int]) -> F64:
        """Where the lens puts points (..., 2), (x, y) px of the straight picture of `size_px` (h, w)."""
        away = points_px - _centre(size_px)
        r = np.hypot(away[..., 0], away[..., 1]) / self.unit_px
        return np.asarray(_centre(size_px) + away * self.ratio(r)[..., None], np.float64)

    def straight(self, points_px: F64, size_px: tuple[int, int]) -> F64:
        """The reverse of `bent`: where points of the picture as the lens made it belong."""
        away = points_px - _centre(size_px)
        there = np.hypot(away[..., 0], away[..., 1]) / self.unit_px
        r = there.copy()
        for _ in range(_ROUNDS):  # a fixed point: the ratio changes slowly along the radius
            before, r = r, there / self.ratio(r)
            if np.all(np.abs(r - before) < _SETTLED):
                break
        return np.asarray(_centre(size_px) + away / self.ratio(r)[..., None], np.float64)

    def largest_px(self, size_px: tuple[int, int]) -> float:
        """The largest displacement in a picture of `size_px` (h, w): anywhere on a radius to a corner."""
        corner = np.hypot(*_centre(size_px)) / self.unit_px
        r = np.linspace(0, corner, 257)
        return float(np.max(np.abs(r * (self.ratio(r) - 1))) * self.unit_px)

    def inside(self, rectangle: Rectangle, size_px: tuple[int, int]) -> Rectangle:
        """The largest rectangle of the straight picture, drawn in from all sides alike, that shows this one.

        rectangle: x0, y0, x1, y1 of the picture as the lens made it, ends included.
        """
        least, most = 0.0, 0.5
        if self._shows(rectangle, rectangle, size_px):
            return rectangle
        for _ in range(_HALVINGS):
            share = (least + most) / 2
            fits = self._shows(_drawn_in(rectangle, share), rectangle, size_px)
            least, most = (least, share) if fits else (share, most)
        return _drawn_in(rectangle, most)

    def _shows(self, inner: Rectangle, outer: Rectangle, size_px: tuple[int, int]) -> bool:
        x, y = np.linspace(inner[0], inner[2], _ALONG), np.linspace(inner[1], inner[3], _ALONG)
        sides = [np.column_stack([x, np.full(_ALONG, at)]) for at in (inner[1], inner[3])]
        sides += [np.column_stack([np.full(_ALONG, at), y]) for at in (inner[0], inner[2])]
        at = self.bent(np.concatenate(sides), size_px)
        return bool(np.all(at >= np.array(outer[:2])) and np.all(at <= np.array(outer[2:])))


def _drawn_in(rectangle: Rectangle, share: float) -> Rectangle:
    x0, y0, x1, y1 = rectangle
    dx, dy = share * (x1 - x0), share * (y1 - y0)
    return x0 + dx, y0 + dy, x1 - dx, y1 - dy


def _centre(size_px: tuple[int, int]) -> F64:
    return np.array([(size_px[1] - 1) / 2, (size_px[0] - 1) / 2])
