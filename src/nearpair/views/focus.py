"""The focus map of a view: in which (fractional) frame each pixel was sharpest."""

import cv2
import numpy as np

from nearpair.pixels.bands import InBands, one_band
from nearpair.pixels.luma import Plane
from nearpair.views import focus_kernels as kernels
from nearpair.views.peaks import Known, Peaks

# energies are pooled over so many samples, by the px of the frame that each stands for
_WINDOW = {2: 5, 4: 3}
# A response that rises towards an end of the stack: by this much a frame (ln), and either slowly or steeply,
# in units of 1/σ²; above this many times the noise floor. A peak at the end falls by ½ and then 2 units.
_RISE = 0.03
_SLOW, _STEEP = 0.7, 1.3
_FAINT = 1.5
_TINY = 1e-12


class FocusTracker:
    """Follows the focus response of every pixel, at half or a quarter of the size, through a stack."""

    def __init__(self, size: tuple[int, int], per_px: int = 2, in_bands: InBands = one_band) -> None:
        """`size` (h, w) of the energies that will be added: the frames' over `per_px` (2 or 4), rounded up.

        in_bands: runs work(top, bottom) over bands of rows, on several cores if it likes.
        """
        self._size, self._per_px = size, per_px
        self._peaks = Peaks(size, in_bands)

    def add(self, energy: Plane) -> None:
        """Add the next frame's detail energy (h, w)."""
        window = _WINDOW[self._per_px]
        self._peaks.take(np.asarray(cv2.blur(energy, (window, window)), np.float32))

    def finish(self, size_px: tuple[int, int]) -> Plane:
        """The focus map, see `finish_small`, at `size_px` (H, W)."""
        focus = np.empty(size_px, np.float32)
        kernels.enlarge(self.finish_small(), self._per_px, focus, 0, size_px[0])
        return focus

    def finish_small(self) -> Plane:
        """The focus map at the size of the energies, NaN where unknown.

        −1, and the number of frames, mean: it would be sharper beyond that end of the stack.
        """
        position, width = self._peaks.interpolated()
        unknown = ~self._peaks.measured()
        width[unknown] = np.nan
        before, after = self._find_beyond(width)
        position = np.asarray(cv2.medianBlur(position, 5), np.float32)
        position[unknown] = np.nan
        position[before], position[after] = -1.0, float(self._peaks.count)
        return position

    def _find_beyond(self, width: Plane) -> tuple[Known, Known]:
        """Pixels that would be sharper before the first, and after the last frame.

        Their energy still rises towards the end of the stack. A peak just at the end falls off steeply two
        frames inside it, by exp(2/σ²) for a response of width σ; one that lies far beyond falls slowly.
        """
        nowhere = np.zeros(self._size, np.bool_)
        if self._peaks.count < 5 or not np.any(np.isfinite(width)):
            return nowhere, nowhere
        fall = 1 / float(np.nanmedian(width)) ** 2
        floor = self._peaks.floor()
        late = list(self._peaks.late)[::-1]
        first = self._rising(self._peaks.early, 0, fall, floor)
        return first, self._rising(late, self._peaks.count - 1, fall, floor)

    def _rising(self, inwards: list[Plane], number: int, fall: float, floor: float) -> Known:
        """Where the energies of the end frame and the two inside it say that the peak lies beyond."""
        beyond = np.zeros(self._size, np.bool_)
        here = self._peaks.index == number
        energies = [energy[here] for energy in inwards]
        # a frame that does not see the place has no energy there, and says nothing of how the response falls
        seen = (energies[1] > _TINY) & (energies[2] > _TINY) & (energies[0] > _FAINT * floor)
        # noise adds to all alike, and would make a steep fall look slow
        end, beside, inside = (np.maximum(energy - floor, _TINY) for energy in energies)
        outer, inner = np.log(end / beside), np.log(end / inside)
        # far beyond: a slow, steady rise; a little beyond: the outer step alone is steeper than at a peak
        slow = (outer > _RISE) & (inner > outer + _RISE) & (inner < _SLOW * fall)
        beyond[here] = seen & (slow | (outer > _STEEP * fall))
        return beyond
