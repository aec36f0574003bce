"""Frames on their way onto the view, level by level of the pyramid.

The finer levels of a frame are moved one by one, and only where they are needed; coarser ones are made of
the last of them.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearpair.pixels.bands import Task, banded
from nearpair.pixels.luma import Plane
from nearpair.pixels.planes import coarser
from nearpair.pixels.warp import warp
from nearpair.views.masks import LevelMasks

MOVED_LEVELS = 3
"""So many levels are moved by themselves."""

Fixed = NDArray[np.uint16]


@dataclass(frozen=True, slots=True, eq=False)
class Level:
    """One level of a frame on the view: luma, chroma where the level has it, and its energies.

    passed: means of 2 x 2 energies, for the next coarser level; energies: where they are needed themselves.
    """

    luma: Fixed
    blue: Fixed
    red: Fixed
    energies: Plane
    passed: Plane

    @property
    def planes(self) -> tuple[Fixed, Fixed, Fixed]:
        """Luma, blue and red."""
        return self.luma, self.blue, self.red


class Moving:
    """A plane of a frame on its way onto the view, level by level."""

    def __init__(
        self,
        outs: Sequence[Fixed],
        level: int,
        known: Sequence[NDArray[Any]],
        inverse: NDArray[np.float64],
        gain: float,
        offset: float,
        made: dict[int, NDArray[Any]],
    ) -> None:
        """`outs`: one for each level; `known`: the plane, which is at `level`, and its next coarser ones.

        made: levels that were made of the plane of another frame, whose memory is used again.
        """
        self._outs = outs[:MOVED_LEVELS]
        self._level, self._known = level, known
        self._inverse, self._gain, self._offset = inverse, gain, offset
        self._made = made

    def next_tasks(self, masks: Sequence[LevelMasks]) -> list[Task]:
        """Move the levels that are known, where they are needed, and make the next one; none in the end."""
        known = self._known[: len(self._outs) - self._level]
        tasks: list[Task] = []
        if self._level + len(known) < len(self._outs):
            tasks.append(partial(self._make_coarser, known[-1]))
        self._known = []
        for samples in known:
            out, needed = self._outs[self._level], masks[self._level].needed
            work = partial(warp, samples, self._inverse, self._gain, self._offset, needed, out)
            tasks += banded(out.shape[0], work)
            self._inverse = np.column_stack([self._inverse[:, :2], self._inverse[:, 2] / 2])
            self._level += 1
        return tasks

    def _make_coarser(self, plane: NDArray[Any]) -> None:
        made = self._made.get(self._level)
        fits = made is not None and made.dtype == plane.dtype
        self._made[self._level] = coarser(plane, made if fits else None)
        self._known = [self._made[self._level]]
