"""How far the sharp band has moved through the subject: what has been in focus so far, place by place."""

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.geometry.transforms import Similarity
from nearpair.pixels.luma import Plane, band, reduced

# The subject: coarse detail of at least this part of what the strongest tenth of the picture has.
_SUBJECT = 0.02
# A place was in focus when its detail has fallen below this part of its best, and stood out from its least. A
# peak is known two to four frames after it only, so the band that is told of trails by so many.
_PASSED, _STANDS_OUT, _BAND = 0.85, 2.0, 4
_NOISE, _SMOOTHEST = 2.0, 0.05
_GRID = (12, 36)
_SEEN, _MOSTLY, _HERE = 0.15, 0.5, 0.3


@dataclass(frozen=True, slots=True)
class Swept:
    """Shares of the subject in focus lately and so far, and the picture in few places (see `events.Cell`)."""

    here: float
    so_far: float
    cells: tuple[str, ...]


def coarse_energy(plane: Plane, cell_px: int) -> Plane:
    """Energy of detail that defocus hardly takes, (H // cell, W // cell): where the subject is at all."""
    detail = band(plane, 2.0, 6.0)
    return reduced(detail * detail, cell_px)


class Sweep:
    """Follows the fine detail of every cell through a stack, in the coordinates of its first frame."""

    def __init__(self, size: tuple[int, int], cell_px: int) -> None:
        self._cell_px = cell_px
        self._best = np.zeros(size, np.float32)
        self._least = np.full(size, np.inf, np.float32)
        self._at = np.full(size, -1, np.int32)
        self._coarse = np.zeros(size, np.float32)
        self._swept = np.zeros(size, np.bool_)
        self._number = 0

    def add(self, fine: Plane, coarse: Plane, to_first: Similarity) -> Swept:
        """Take the next frame: `fine` energy already in the first frame's coordinates, `coarse` not yet."""
        matrix = to_first.resampled(1 / self._cell_px).matrix()
        coarse = np.asarray(cv2.warpAffine(coarse, matrix, (fine.shape[1], fine.shape[0])))
        seen = fine > 0
        fine = _above_noise(fine)
        coarse = _above_noise(coarse)
        np.maximum(self._coarse, coarse, out=self._coarse)
        better = fine > self._best
        self._best[better], self._at[better] = fine[better], self._number
        self._swept[better] = False
        self._least[seen] = np.minimum(self._least, fine)[seen]
        stands_out = self._best > _STANDS_OUT * self._least
        self._swept |= stands_out & seen & (fine < _PASSED * self._best)
        here = self._swept & (self._at >= self._number - _BAND)
        self._number += 1
        return self._told(here)

    def share_at(self, numbers: list[int]) -> float:
        """Share of the subject that was sharpest in one of these frames."""
        subject = self._subject() & self._swept
        return float(np.isin(self._at[subject], numbers).mean()) if subject.any() else 0.0

    def _subject(self) -> NDArray[np.bool_]:
        return np.asarray(self._coarse > _SUBJECT * np.quantile(self._coarse, 0.9))

    def _told(self, here: NDArray[np.bool_]) -> Swept:
        subject = self._subject()
        total = max(1, int(subject.sum()))
        done = subject & self._swept
        now = subject & here
        return Swept(float(now.sum()) / total, float(done.sum()) / total, _drawn(subject, done, now))


def _above_noise(energy: Plane) -> Plane:
    """Energy less what noise has in the smoothest places."""
    seen = energy[energy > 0]
    floor = np.float32(_NOISE * np.quantile(seen, _SMOOTHEST)) if seen.size else np.float32(0)
    return np.asarray(np.maximum(energy - floor, 0), np.float32)


def _drawn(subject: NDArray[np.bool_], done: NDArray[np.bool_], now: NDArray[np.bool_]) -> tuple[str, ...]:
    """The picture in few letters: what most of each place is."""
    there, past, sharp = (_shares(mask) for mask in (subject, done, now))
    out = np.full(_GRID, "-")
    out[past > _MOSTLY * there] = "#"
    out[sharp > _HERE * there] = "@"
    out[there < _SEEN] = " "
    return tuple("".join(row) for row in out)


def _shares(mask: NDArray[np.bool_]) -> Plane:
    return np.asarray(cv2.resize(mask.astype(np.float32), _GRID[::-1], interpolation=cv2.INTER_AREA))
