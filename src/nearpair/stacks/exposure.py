"""Frames exposed differently, told as they come: their brightness against the frames before them."""

import math
from collections import deque
from statistics import median

# Flicker stays below 0.05 stops on ray-traced stacks, and brightness creeps by as much from frame to frame
# with the effective aperture; the smallest click of a camera is a third of a stop (common practice, no
# source).
_OTHER_STOPS, _SAME_STOPS = 0.25, 0.15
_DARKEST = 1e-4


class Exposure:
    """Follows the mean brightness of a stack's frames, in linear light."""

    def __init__(self) -> None:
        self._usual: deque[float] = deque(maxlen=3)
        self._other: float | None = None

    def add(self, brightness: float) -> tuple[float, bool]:
        """Take the next frame: (stops brighter than those before, whether that is news).

        0 stops within what is usual. A second frame in a row that is as bright as the odd one before it makes
        the new brightness the usual one.
        """
        level = math.log2(max(brightness, _DARKEST))
        stops = level - median(self._usual) if self._usual else 0.0
        if abs(stops) < _OTHER_STOPS:
            self._usual.append(level)
            self._other = None
            return 0.0, False
        lasting = self._other is not None and abs(level - self._other) < _SAME_STOPS
        if lasting:
            self._usual.clear()
            self._usual.append(level)
        self._other = None if lasting else level
        return stops, not lasting
