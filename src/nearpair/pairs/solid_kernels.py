"""Compiled inner loop of keeping near things solid: which frames of each place lie behind something near."""

import numpy as np
from numba import njit
from numpy.typing import NDArray

F32 = NDArray[np.float32]
U8 = NDArray[np.uint8]
I16 = NDArray[np.int16]

_FLOOR = 0.08  # energies of flat places
_FRAMES_BEHIND = 4
# what the peak of something near must reach, and where there is no doubt: its energy against the least behind
# it, and how alike both eyes see it
_PEAK, _ALIKE = 1.3, 0.3
_SURE_PEAK, _SURE_ALIKE = 2.0, 0.7
# how much it must stand out, 8-bit units, and the most that the eyes may differ, against that
_STANDS_OUT, _MISMATCH = 6, 0.3


@njit(cache=True, nogil=True)
def _likeness(mismatch: F32, alike: F32, narrow: U8, y: int, x: int, k: int) -> float:
    """How alike both eyes see something narrow at the peak of sharpness in frame k; 0 if they do not."""
    best, least = alike[k, y, x], mismatch[k, y, x]
    for j in range(max(k - 1, 0), min(k + 2, narrow.shape[0])):
        best, least = max(best, alike[j, y, x]), min(least, mismatch[j, y, x])
    stands_out = np.float32(narrow[k, y, x])
    if stands_out < _STANDS_OUT or least >= _MISMATCH * stands_out:
        return 0.0
    return float(best)


@njit(cache=True, nogil=True)
def hidden_frames(
    energy: F32, mismatch: F32, alike: F32, narrow: U8, near_last: bool, hidden: I16, sure: U8
) -> None:
    """Set `hidden`, (h, w), to how many frames of each place, from the farthest, lie behind something near.

    energy, mismatch, alike, narrow: measures of each frame, (n, h, w), see `agreed` and `solid`.
    near_last: later frames are focused nearer. sure: whether there is no doubt.
    """
    count, rows, columns = energy.shape
    for y in range(rows):
        for x in range(columns):
            hidden[y, x] = sure[y, x] = 0
            peak, most = 0, np.float32(-1.0)
            valley, least = 0, np.float32(0.0)
            for step in range(count):  # from near to far
                k = count - 1 - step if near_last else step
                here = energy[k, y, x] + np.float32(_FLOOR)
                if here < least:
                    valley, least = step, here
                if here <= most:
                    continue
                if most > _PEAK * least and step - peak > _FRAMES_BEHIND:
                    p = count - 1 - peak if near_last else peak
                    likeness = _likeness(mismatch, alike, narrow, y, x, p)
                    if likeness > _ALIKE:
                        hidden[y, x] = count - valley
                        sure[y, x] = likeness > _SURE_ALIKE and most > _SURE_PEAK * least
                        break
                peak, most, valley, least = step, here, step, here
