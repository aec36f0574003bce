"""Parts of the subject that moved between the stacks: shifted where depth cannot explain it.

On a mounted pair matched points have no vertical parallax, and their horizontal one follows from how far away
they are, which focus tells too. A part that was knocked, or grew, or dried between the stacks has both of it
wrong, alike in neighbouring cells. Single points off are wrong matches or reflections.

What moved has a parallax that is not its depth. So where it lies, and what of its rim reaches beyond all
else, says nothing of how deep the picture is.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.proof.model_capture import LocalShifts

Plane = NDArray[np.float32]
F64 = NDArray[np.float64]

_COLUMNS = 16
_FEWEST_POINTS, _FEWEST_COURSE = 4, 60
# Medians of cells of complete ray-traced pairs: up to 1.0 px in height and 1.7 px aside, single cells.
_MOVED_PX, _FEWEST_CELLS = 2.0, 3
_ROUNDS, _KEEP = 8, 3.0


def local_shifts(
    points: F64, parallax: F64, height: F64, focus: F64, size_px: tuple[int, int], limit: float = 1.0
) -> LocalShifts:
    """Medians by cell, and the largest group of neighbouring cells that stand elsewhere than they should.

    points (n, 2) px in the left picture of `size_px` (h, w); parallax and height (n,) px, right minus left;
    focus (n,) the frame in which each is sharpest, NaN where unknown. limit: size of a px of the pictures
    that were matched, in px of these.
    """
    side = size_px[1] / _COLUMNS
    rows = max(1, round(size_px[0] / side))
    cell = np.clip((points[:, 1] / side).astype(int), 0, rows - 1) * _COLUMNS
    cell += np.clip((points[:, 0] / side).astype(int), 0, _COLUMNS - 1)
    down = _medians(height, cell, rows * _COLUMNS)
    aside = _medians(_beyond_course(parallax, focus), cell, rows * _COLUMNS)
    found = LocalShifts(columns=_COLUMNS, rows=rows, height_px=_listed(down), aside_px=_listed(aside))
    off = np.hypot(np.nan_to_num(down), np.nan_to_num(aside)) > _MOVED_PX * limit
    return _with_group(found, off.reshape(rows, _COLUMNS), down, aside, side)


def _listed(values: F64) -> list[float | None]:
    return [round(float(value), 3) if np.isfinite(value) else None for value in values]


def _medians(values: F64, cell: NDArray[np.intp], cells: int) -> F64:
    out = np.full(cells, np.nan)
    for number in np.unique(cell):
        there = values[(cell == number) & np.isfinite(values)]
        if there.size >= _FEWEST_POINTS:
            out[number] = np.median(there)
    return out


def _beyond_course(parallax: F64, focus: F64) -> F64:
    """Parallax beyond a smooth course over the frames, fitted to what lies on it."""
    known = np.isfinite(focus) & np.isfinite(parallax)
    out = np.full(len(parallax), np.nan)
    if known.sum() < _FEWEST_COURSE or np.ptp(focus[known]) < 2:
        return out
    keep = known.copy()
    for _ in range(_ROUNDS):
        terms = np.polyfit(focus[keep], parallax[keep], 2)
        out[known] = parallax[known] - np.polyval(terms, focus[known])
        spread = 1.4826 * float(np.median(np.abs(out[keep])))
        keep = known & (np.abs(out) < _KEEP * spread + 1e-6)
        if keep.sum() < _FEWEST_COURSE:
            return np.full(len(parallax), np.nan)
    return out


def _with_group(
    found: LocalShifts, off: NDArray[np.bool_], down: F64, aside: F64, side: float
) -> LocalShifts:
    count, labels, stats, _ = cv2.connectedComponentsWithStats(off.astype(np.uint8), connectivity=4)
    if count < 2:
        return found
    largest = 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))
    x, y, width, height, cells = (int(value) for value in stats[largest])
    if cells < _FEWEST_CELLS:
        return found
    inside = (labels == largest).ravel()
    moved = [float(np.nanmedian(v[inside])) if np.isfinite(v[inside]).any() else 0.0 for v in (aside, down)]
    return LocalShifts(
        columns=found.columns,
        rows=found.rows,
        height_px=found.height_px,
        aside_px=found.aside_px,
        moved_share=cells / off.size,
        moved_px=(moved[0], moved[1]),
        box_px=(round(x * side), round(y * side), round(width * side), round(height * side)),
        moved_cells=np.flatnonzero(inside).tolist(),
    )


def moved_places(parallax: Plane, found: LocalShifts | None) -> NDArray[np.bool_]:
    """Where a map of parallax (H, W) is not to be believed, as a part of the subject moved.

    All of the cells that moved; of those around, what lies beyond the 1st or 99th percentile of the rest, at
    the end to which it moved, and no farther than it did: a thing that is truly near or far reaches farther,
    or has its own cells, which keep to their focus.
    """
    if found is None or not found.moved_cells or found.moved_px is None:
        return np.zeros(parallax.shape, np.bool_)
    cells = np.zeros(found.rows * found.columns, np.uint8)
    cells[found.moved_cells] = 1
    inside = cells.reshape(found.rows, found.columns)
    around = np.asarray(cv2.dilate(inside, np.ones((3, 3), np.uint8)))
    height, width = parallax.shape
    row, column = (
        np.minimum((np.arange(side) * (found.columns / width)).astype(int), most - 1)
        for side, most in ((height, found.rows), (width, found.columns))
    )
    in_cells, in_rim = (np.asarray(part[row[:, None], column] > 0) for part in (inside, around))
    rest, aside = parallax[~in_rim & np.isfinite(parallax)], found.moved_px[0]
    if not rest.size or abs(aside) < 1:
        return in_cells
    end = np.percentile(rest, 99 if aside > 0 else 1)
    beyond = np.sign(aside) * (parallax - np.float32(end))
    return np.asarray(in_cells | (in_rim & (beyond > 0) & (beyond < abs(aside) + _MOVED_PX)))


def without_moved(parallax: Plane, found: LocalShifts | None) -> Plane:
    """A map of parallax (H, W), unknown where a part of the subject moved; the same one if nothing did."""
    if found is None or not found.moved_cells:
        return parallax
    return np.where(moved_places(parallax, found), np.float32(np.nan), parallax)
