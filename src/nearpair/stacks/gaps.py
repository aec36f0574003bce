"""Missing slices of a stack: what the focus responses show and what the drive did, put together."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

# A wide step of the drive is a missing slice when its two frames hold this much of the picture.
_SUBJECT_THERE = 0.01
# A slice is unsharp when its frames lie farther apart than this many σ of the focus response.
_UNSHARP_FROM = 1.0


class SeenGap(Protocol):
    """A gap that the focus responses show: they do not overlap between two frames."""

    @property
    def after_frame(self) -> int:
        """The frame before the gap, counted from 0."""

    @property
    def width_steps(self) -> float:
        """How far apart its two frames lie, in steps of the stack."""

    @property
    def share(self) -> float:
        """Share of the measured picture around it."""


@dataclass(frozen=True, slots=True)
class Slice:
    """A slice of depth that no frame has in focus: after which frame (from 0), and how many steps wide."""

    after_frame: int
    width_steps: float
    share: float
    """Share of the measured picture around it."""


def missing_slices(
    seen: Sequence[SeenGap],
    wide: Sequence[tuple[int, float]],
    share: NDArray[np.float64],
    response_width: float = 0.0,
) -> tuple[Slice, ...]:
    """Join gaps of the focus responses with steps of the drive that are too wide (see `wide_steps`).

    `share` (frames,) is how much of the measured picture is sharpest in each frame. A wide step counts where
    part of the subject lies around it; it gives the better width. With frames much closer than the depth of
    field (`response_width`: σ of the focus response in frames) a wide step leaves nothing unsharp: half way
    between two frames g steps apart the energy falls to exp(−g²/8σ²), to 88 % at the limit taken here.
    """
    slices = {g.after_frame: Slice(g.after_frame, g.width_steps, g.share) for g in seen}
    for k, times in wide:
        around = float(share[k] + share[k + 1])
        near = next((number for number in (k, k - 1, k + 1) if number in slices), None)
        if near is None and around < _SUBJECT_THERE:
            continue
        known = slices.pop(near) if near is not None else None
        slices[k] = Slice(k, times, known.share if known else around / 2)
    least = _UNSHARP_FROM * response_width
    return tuple(slices[k] for k in sorted(slices) if slices[k].width_steps >= least)
