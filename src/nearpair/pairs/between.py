"""What would be seen from between two stations, or a little beyond them: views for another stereo base.

Both views have to agree in their rows. A point at x in the left view is at x − d in the right one; from a
position t of the way it is at x − t·d. The depth as seen from there is carried over from both views'
disparities, the nearest winning and what was measured coming before what was only completed; every point is
then looked up in both views, which count by how near they are and by whether they see the point at all. What
neither sees, because something stands before it, is filled from the background beside it, and marked. Source:
image-based rendering from depth (Chen & Williams, "View interpolation for image synthesis", SIGGRAPH 1993;
from memory), with the sources weighed by visibility.

Memory for N pixels: a pair made ready holds 10 N bytes beside its pictures, making it ready takes at most
14 N more for a while, a view 5 N besides its picture. At 24 megapixels: 240, 340 and 120 MB.
"""

from dataclasses import dataclass
from functools import partial

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.errors import PairError
from nearpair.pairs import between_kernels as kernels
from nearpair.pixels.bands import in_bands
from nearpair.pixels.luma import Pixels, Plane, luma

Known = NDArray[np.bool_]

FEWEST_KNOWN = 50
BEYOND = 0.25
"""How far beyond the two views, in stereo bases, one may look: what stands there is mostly guessed soon."""


@dataclass(frozen=True, slots=True, eq=False)
class Seen:
    """What is seen from a position."""

    picture: Pixels
    """(H, W, 3), in the dtype of the views."""
    disparity: Plane
    """(H, W) px, x_left − x_right of the two views, at the pixels of `picture`; NaN where not measured."""
    unseen: Known
    """(H, W): what neither view shows, and was filled from the background."""


@dataclass(frozen=True, slots=True, eq=False)
class Between:
    """A pair made ready for views from other positions: made once by `of`, then looked through by `view`."""

    pictures: tuple[Pixels, Pixels]
    disparities: tuple[Plane, Plane]
    """Complete."""
    known: tuple[Known, Known]
    """Where they were measured."""
    step_px: int

    @classmethod
    def of(
        cls, pictures: tuple[Pixels, Pixels], measured: tuple[Plane, Plane], step_px: int = 1
    ) -> "Between":
        """Make a left and a right view (H, W, 3) ready; their rows have to agree.

        measured: disparity x_left − x_right of the left and of the right view, (H, W) px, NaN where unknown.
        step_px: px of the pictures that one px covers of the map on which it was measured. The pictures are
        kept, not copied. Raises PairError if almost nothing is known of the depth.
        """
        if min(np.count_nonzero(np.isfinite(plane)) for plane in measured) < FEWEST_KNOWN:
            message = (
                "The two views share too little texture to tell their depth, so there is no view between."
            )
            raise PairError(message, "Use the stereo base that was shot.")
        first, second = (completed(*each, step_px) for each in zip(measured, pictures, strict=True))
        return cls(pictures, (first, second), (np.isfinite(measured[0]), np.isfinite(measured[1])), step_px)

    def view(self, position: float) -> Seen:
        """See the subject from a position: 0 left, 1 right, 0.5 half way; up to `BEYOND` outside of that.

        From 0 and 1 it is the left and the right view itself. Raises PairError for positions farther off.
        """
        if not -BEYOND <= position <= 1 + BEYOND:
            message = f"A view from {position:g} of the way between the stations cannot be made."
            raise PairError(message, f"Choose a position from {-BEYOND:g} to {1 + BEYOND:g}.")
        if position in (0, 1):
            return self._as_shot(int(position))
        picture, disparity = np.empty_like(self.pictures[0]), np.empty_like(self.disparities[0])
        unseen = np.empty_like(self.known[0])
        given = (*self.pictures, *self.disparities, *self.known, self.step_px, float(position))
        work = partial(kernels.see_rows, *given, picture, disparity, unseen)
        in_bands(disparity.shape[0], work)
        return Seen(picture, disparity, unseen)

    def _as_shot(self, side: int) -> Seen:
        disparity = np.where(self.known[side], self.disparities[side], np.float32(np.nan))
        return Seen(self.pictures[side].copy(), disparity, np.zeros_like(self.known[side]))


def completed(disparity: Plane, picture: Pixels, step_px: int = 1) -> Plane:
    """A disparity map (H, W) of a view (H, W, 3), NaN where unknown, without gaps and with clean outlines.

    Gaps are filled along rows and along columns, and the farther wins: see `kernels.fill`. Then outlines are
    put where the picture has them: see `kernels.outline`.
    """
    height, width = disparity.shape
    grey = luma(picture)
    along, down = np.empty_like(disparity), np.empty_like(disparity)
    in_bands(height, partial(kernels.fill, disparity, grey, along))
    in_bands(width, partial(kernels.fill, disparity.T, grey.T, down.T))
    np.copyto(along, down, where=_farther_below(disparity, down, along))
    del grey
    smooth = np.asarray(cv2.medianBlur(along, 5), np.float32)
    in_bands(height, partial(kernels.outline, picture, smooth, np.isfinite(disparity), step_px, along))
    return np.asarray(cv2.medianBlur(along, 5), np.float32)


def _farther_below(disparity: Plane, down: Plane, along: Plane) -> Known:
    """Where columns found what is farther; a row or column without anything known says nothing."""
    told = np.isfinite(disparity)
    rows, columns = np.any(told, axis=1, keepdims=True), np.any(told, axis=0, keepdims=True)
    return np.asarray(columns & (~rows | (down < along)))
