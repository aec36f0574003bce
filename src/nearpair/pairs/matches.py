"""Points that two views of one subject share, to a fraction of a pixel."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.pixels.luma import Plane

F64 = NDArray[np.float64]

_FEATURES = 6000
_RATIO = 0.8
# lengths of 1 become this: the largest sum is 2 · 2047², which float32 still tells from its neighbours
_WHOLE = np.float32(2047)
_ROWS_AT_ONCE = 512
_CELL_PX = 32
_PER_CELL = 12
_WINDOW_PX = 15
_SPREAD = 4.0
_FAR_FROM_MODEL_PX = 4.0


@dataclass(frozen=True, slots=True)
class Matches:
    """Matched points (N, 2), (x, y) in px, of a first and a second picture."""

    first: F64
    second: F64

    def __len__(self) -> int:
        """Return the number of matches."""
        return len(self.first)

    def keep(self, which: NDArray[np.bool_]) -> "Matches":
        """The matches selected by a mask (N,)."""
        return Matches(self.first[which], self.second[which])


def _eight_bit(luma: Plane) -> NDArray[np.uint8]:
    return np.asarray(np.clip(luma * 255 + 0.5, 0, 255), np.uint8)


@dataclass(frozen=True, slots=True, eq=False)
class Features:
    """Points of one picture that can be found again in another, and how each looks around it."""

    picture: NDArray[np.uint8]
    points: F64
    described: NDArray[np.float32]


def features(luma: Plane, most: int = _FEATURES) -> Features:
    """Up to `most` features of a luma (h, w): Lowe, IJCV 60(2), 2004."""
    picture = _eight_bit(luma)
    return Features(picture, *_features(picture, most))


def _features(picture: NDArray[np.uint8], most: int) -> tuple[F64, NDArray[np.float32]]:
    detector = cv2.SIFT.create(nfeatures=most, contrastThreshold=0.02)
    points, described = detector.detectAndCompute(picture, None)
    if len(points) == 0:
        return np.zeros((0, 2)), np.zeros((0, 128), np.float32)
    described = np.sqrt(described / (np.sum(described, axis=1, keepdims=True) + 1e-9))
    return np.array([p.pt for p in points], dtype=np.float64), np.asarray(described, np.float32)


def _mutual(a: NDArray[np.float32], b: NDArray[np.float32]) -> NDArray[np.int64]:
    """Pairs (i, j) that are each other's nearest and clearly nearer than the second nearest, (N, 2).

    One product of the descriptors tells both ways. They are rounded to whole numbers, of which all sums are
    exact: the same pairs come out of any number of threads and any processor.
    """
    a, b = np.rint(_WHOLE * a), np.rint(_WHOLE * b)
    long_a, long_b = (np.einsum("ij,ij->i", one, one) for one in (a, b))
    nearest, clear = np.empty(len(a), np.int64), np.empty(len(a), np.bool_)
    back, back_at = np.full(len(b), np.inf, np.float32), np.zeros(len(b), np.int64)
    for start in range(0, len(a), _ROWS_AT_ONCE):
        rows = slice(start, start + _ROWS_AT_ONCE)
        apart = a[rows] @ b.T
        apart *= -2
        apart += long_a[rows, None]
        apart += long_b
        from_b = apart.argmin(axis=0)
        least = apart[from_b, np.arange(len(b))]
        nearer = least < back
        back[nearer], back_at[nearer] = least[nearer], start + from_b[nearer]
        here = np.arange(len(apart))
        nearest[rows] = found = apart.argmin(axis=1)
        first = apart[here, found]
        apart[here, found] = np.inf
        clear[rows] = first < _RATIO**2 * apart.min(axis=1)
    mutual = clear & (back_at[nearest] == np.arange(len(a)))
    return np.column_stack([np.flatnonzero(mutual), nearest[mutual]])


def match(first: Plane, second: Plane, most: int = _FEATURES) -> Matches:
    """Match two lumas (h, w) of one subject seen from beside each other; wrong matches are few, not none.

    most: features looked at in each; time grows with the square of it.

    Features: Lowe, IJCV 60(2), 2004, compared by their Hellinger distance (Arandjelovic & Zisserman 2012);
    matches far from a smooth common height difference are dropped; the rest are refined by least squares on
    a small window (Lucas & Kanade 1981).
    """
    return match_features(features(first, most), features(second, most))


def match_features(first: Features, second: Features) -> Matches:
    """Match two pictures whose features are known already; see `match`."""
    if len(first.points) < 2 or len(second.points) < 2:
        return Matches(np.zeros((0, 2)), np.zeros((0, 2)))
    index = _mutual(first.described, second.described)
    found = Matches(first.points[index[:, 0]], second.points[index[:, 1]])
    if len(found) < 8:
        return found
    found = found.keep(_plausible(found))
    return _refined(first.picture, second.picture, found)


def _plausible(found: Matches) -> NDArray[np.bool_]:
    """Drop matches whose height or sideways difference is far outside those of the rest."""
    dx, dy = (found.first - found.second).T
    keep = np.ones(len(dx), np.bool_)
    for _ in range(5):
        design = np.column_stack([np.ones(len(dx)), found.second])
        solution = np.linalg.lstsq(design[keep], dy[keep], rcond=None)[0]
        residual = dy - design @ solution
        spread = 1.4826 * float(np.median(np.abs(residual[keep])))
        keep = np.abs(residual) < max(_FAR_FROM_MODEL_PX, _SPREAD * spread)
    low, high = np.percentile(dx[keep], [2, 98]) if keep.any() else (0.0, 0.0)
    margin = max(8.0, high - low)
    return np.asarray(keep & (dx > low - margin) & (dx < high + margin))


def _refined(a: NDArray[np.uint8], b: NDArray[np.uint8], found: Matches) -> Matches:
    """Sub-pixel positions in the second picture; matches that move far or do not converge are dropped."""
    if len(found) == 0:
        return found
    start = found.second.astype(np.float32).reshape(-1, 1, 2)
    moved, status, _ = cv2.calcOpticalFlowPyrLK(
        a,
        b,
        found.first.astype(np.float32).reshape(-1, 1, 2),
        start.copy(),
        winSize=(_WINDOW_PX, _WINDOW_PX),
        maxLevel=0,
        criteria=(cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 40, 0.003),
        flags=cv2.OPTFLOW_USE_INITIAL_FLOW,
    )
    near = np.linalg.norm(moved - start, axis=2).ravel() < 2.0
    good = (status.ravel() == 1) & near
    refined = Matches(found.first, moved.reshape(-1, 2).astype(np.float64))
    return refined.keep(good)


def spread_out(found: Matches, size_px: tuple[int, int]) -> Matches:
    """At most a dozen matches per cell, so that one richly textured part does not decide alone."""
    cell = (found.first // _CELL_PX).astype(np.int64)
    key = cell[:, 1] * (size_px[1] // _CELL_PX + 1) + cell[:, 0]
    order = np.argsort(key, kind="stable")
    rank = np.arange(len(key)) - np.searchsorted(key[order], key[order])
    keep = np.zeros(len(key), np.bool_)
    keep[order[rank < _PER_CELL]] = True
    return found.keep(keep)
