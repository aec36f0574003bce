"""Where the energy of each place peaks in a stack: in which (fractional) frame, and how wide the peak is."""

from collections import deque
from functools import partial

import numpy as np

from nearpair.pixels.bands import InBands, one_band
from nearpair.pixels.luma import Plane
from nearpair.views import focus_kernels as kernels

Known = np.ndarray[tuple[int, int], np.dtype[np.bool_]]

# A place counts as measured when its sharpest frame has this many times the energy of the noise floor
# (the typical least energy over the frames), and this many times its own mean over the frames.
_OVER_FLOOR = 4.0
_OVER_MEAN = 1.5
_TINY = 1e-12


def _typical(plane: Plane) -> float:
    """The median of a plane, read from every fourth row and column."""
    return float(np.median(plane[::4, ::4]))


class Peaks:
    """The largest energy of every place and its two neighbours in the sequence."""

    def __init__(self, size: tuple[int, int], in_bands: InBands = one_band) -> None:
        """`size` (h, w) of the energies; in_bands: runs work(top, bottom) over bands of rows."""
        self._in_bands = in_bands
        self._best = np.full(size, -1.0, np.float32)
        self._before = np.full(size, -1.0, np.float32)
        self._after = np.full(size, -1.0, np.float32)
        self._total = np.zeros(size, np.float32)
        self._least = np.full(size, np.inf, np.float32)
        self.index = np.zeros(size, np.int16)
        """In which frame each place has the most energy so far, (h, w)."""
        self.count = 0
        """How many frames were taken."""
        self.early: list[Plane] = []
        """Energies of the first three frames."""
        self.late: deque[Plane] = deque(maxlen=3)
        """Energies of the last three."""

    def take(self, energy: Plane) -> None:
        """Take the energies (h, w) of the next frame, which are kept as they are."""
        track = partial(
            kernels.track_peak,
            energy,
            self.late[-1] if self.late else np.full_like(energy, -1.0),
            self.count,
            self._best,
            self.index,
            self._before,
            self._after,
            self._total,
            self._least,
        )
        self._in_bands(energy.shape[0], track)
        if self.count < 3:
            self.early.append(energy)
        self.late.append(energy)
        self.count += 1

    def interpolated(self) -> tuple[Plane, Plane]:
        """(fractional frame, width of the peak as σ in frames, NaN where it is not known), each (h, w)."""
        position, width = np.empty_like(self._best), np.empty_like(self._best)
        fill = partial(
            kernels.interpolate_peak, self._best, self.index, self._before, self._after, position, width
        )
        self._in_bands(self._best.shape[0], fill)
        return position, width

    def measured(self) -> Known:
        """Which places have a peak that stands out, (h, w); none with fewer than three frames."""
        if self.count < 3:
            return np.zeros(self._best.shape, np.bool_)
        mean = self._total / self.count
        high = (self._best > _OVER_FLOOR * (self.floor() + _TINY)) & (self._best > _OVER_MEAN * mean)
        return np.asarray(high, np.bool_)

    def floor(self) -> float:
        """Energy of the noise: the typical least energy."""
        return _typical(self._least)
