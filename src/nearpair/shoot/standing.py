"""Window and crop of a pair by what stood still: a part that moved between the stacks tells a wrong depth."""

from dataclasses import dataclass, replace

import numpy as np

from nearpair.frames.read import Pixels
from nearpair.pairs.byhand import shifted
from nearpair.pairs.mounting import Mount, Window, mounted
from nearpair.pairs.placing import Laid, Placed, allowed_for, parallax_of, place
from nearpair.pixels.luma import Plane
from nearpair.proof.localshifts import moved_places
from nearpair.proof.model import Residual
from nearpair.proof.model_capture import LocalShifts
from nearpair.shoot.comparing import compared
from nearpair.shoot.decisions import Decisions


@dataclass(frozen=True, slots=True, eq=False)
class Stood:
    """A pair as it is mounted: by which rules, both pictures (H, W, 3), what is left over, and what moved."""

    placed: Placed
    left: Pixels
    right: Pixels
    residual: Residual
    local: LocalShifts | None


def mounted_by_what_stood(
    laid: Laid, views: tuple[Pixels, Pixels], focus: Plane, window: Window, decisions: Decisions
) -> Stood:
    """Place the window and mount; if a part moved, once more without what it says of depth.

    focus: the left view's focus map (H, W). A window on a point stays there. Raises PairError as `place`.
    """
    placed = _placed(laid, window, decisions)
    stood = _mounted(placed, views, focus)
    if stood.local is None or not stood.local.moved_cells or isinstance(window, tuple):
        return stood
    again = _placed(_without(laid, placed.mount, stood.local), window, decisions)
    return stood if again == placed else _mounted(again, views, focus)


def _placed(laid: Laid, window: Window, decisions: Decisions) -> Placed:
    aspect = decisions.mounting.aspect_ratio()
    placed = place(laid, window, aspect, allowed_for(decisions.viewing.seen()))
    return shifted(laid, placed, aspect, decisions.adjust.shift_px)


def _mounted(placed: Placed, views: tuple[Pixels, Pixels], focus: Plane) -> Stood:
    left, right = mounted(*views, placed.mount)
    return Stood(placed, left, right, *compared(left, right, focus, placed.mount.crop_px))


def _without(laid: Laid, mount: Mount, found: LocalShifts) -> Laid:
    """The same, its disparity unknown where a part moved."""
    moved = moved_places(parallax_of(laid, mount), found)
    x, y, width, height = mount.crop_px
    # px of the map in px of the crop
    rows, columns = (
        np.rint((np.arange(side) + 0.5) * laid.factor - 0.5 - start).astype(int)
        for side, start in zip(laid.disparity.shape, (y, x), strict=True)
    )
    inside = ((rows >= 0) & (rows < height))[:, None] & ((columns >= 0) & (columns < width))
    there = moved[rows.clip(0, height - 1)[:, None], columns.clip(0, width - 1)] & inside
    return replace(laid, disparity=np.where(there, np.float32(np.nan), laid.disparity))
