"""What retouches would show, before they are made: pieces of both eyes' pictures, in a moment.

A retouch that is decided is put into the views, the pair is mounted anew, and all of it is written: that
takes its time. Here the same is done for a part of each view that is only as large as it has to be, and laid
as the pair is mounted now; nothing is written.
"""

from collections import OrderedDict
from collections.abc import Sequence
from dataclasses import dataclass
from threading import Lock

import numpy as np
from numpy.typing import NDArray

from nearpair.frames.profiles import read_profile
from nearpair.frames.write import read_tiff_part
from nearpair.geometry.strokes import Box
from nearpair.proof.model_retouch import Retouched
from nearpair.shoot.counterparts import Counterparts
from nearpair.shoot.decisions import Retouch
from nearpair.shoot.evening import gains_of, seen_evened
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.retouches import Put, chosen_of, puts_of
from nearpair.shoot.sources import Bytes, Sources
from nearpair.shoot.straightening import laid_part
from nearpair.views.merge import View
from nearpair.views.retouch import Area, around, put_in, within

MOST_PX = 8_000_000
"""Larger pieces are not shown before they are made: that would take as long."""

_REACH_PX, _CELL_PX, _ALONG = 24, 32, 33
_KEPT = 64


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """A piece of an eye's picture, (h, w, 3) in sRGB codes. box: px of the left view as it lies."""

    eye: int
    box: Box
    picture: Bytes


@dataclass(frozen=True, slots=True, eq=False)
class Tried:
    """What retouches would show, and what is told of each; `large`: eyes of which a piece is too large."""

    pieces: list[Piece]
    told: list[Retouched]
    large: list[int]


class Trial:
    """Tries retouches on the pair that was mounted last; several threads may ask."""

    def __init__(self, folder: ShootFolder, sources: Sources) -> None:
        self._folder, self._sources = folder, sources
        self._lock = Lock()
        self._counterparts: Counterparts | None = None
        self._known: OrderedDict[Retouch, tuple[list[Put], Retouched]] = OrderedDict()

    def tried(self, retouches: Sequence[Retouch], where: Sequence[Retouch]) -> Tried:
        """What the pair shows with these retouches, at the places of those in `where`.

        Raises NearpairError for a retouch that cannot be done, and if frames or views cannot be read.
        """
        with self._lock:
            puts = [put for one in retouches for put in self._puts(one)[0]]
            asked = [self._puts(one) for one in where]
        pieces, large = [], []
        for eye in range(2 if self._sources.mounted.mounting.base_share == 1 else 1):
            areas = [put.area for found, _ in asked for put in found if put.eye == eye]
            mine = [put for put in puts if put.eye == eye]
            for box in _apart([box for area in areas if (box := self._shown(eye, area.box)) is not None]):
                if box[2] * box[3] > MOST_PX:
                    large.append(eye)
                else:
                    pieces.append(self._piece(eye, box, areas, mine))
        return Tried(pieces, [told for _, told in asked], large)

    def _puts(self, one: Retouch) -> tuple[list[Put], Retouched]:
        if one in self._known:
            self._known.move_to_end(one)
            return self._known[one]
        pair = self._sources.pair
        chosen = chosen_of(pair, [one])
        if not chosen:  # it was drawn on a station outside the pair
            return [], Retouched(station=one.station, frame=one.frame)
        if self._counterparts is None:
            self._counterparts = self._sources.counterparts()
        self._known[one] = found = puts_of(chosen[0], pair, self._counterparts)
        while len(self._known) > _KEPT:
            self._known.popitem(last=False)
        return found

    def _shown(self, eye: int, box: Box) -> Box | None:
        """Where a box of a view is shown; None if nowhere."""
        return _box_of(self._sources.lies(eye, _edge(box)), 2, self._sources.size_px)

    def _piece(self, eye: int, box: Box, areas: Sequence[Area], puts: Sequence[Put]) -> Piece:
        size_px = self._sources.size_px
        seen = _box_of(self._sources.in_view(eye, _edge(box)), _REACH_PX, size_px)
        needed = [around(area, size_px) for area in areas if seen is not None and _meet(area.box, seen)]
        part = _joined([*needed, *([] if seen is None else [seen])], size_px)
        path = self._folder.view(self._sources.station(eye))
        rgb = read_tiff_part(path, part)
        view = View(rgb, np.full(rgb.shape[:2], np.nan, np.float32))
        for put in puts:
            if _meet(put.area.box, part):
                view = put_in(view, *within(part, put.area, self._sources.frame(eye, put.number, put.focus)))
        lens = self._sources.bent
        shown = laid_part(view.rgb, part[:2], self._sources.onto(eye), lens, box, size_px)
        gains = gains_of(self._sources.mounted.mounting.light)[eye]
        return Piece(eye, box, seen_evened(shown, read_profile(path), gains))


def _apart(boxes: Sequence[Box]) -> list[Box]:
    """Boxes that do not meet: those that do are joined."""
    left: list[Box] = []
    for box in boxes:
        joined = box
        while meeting := [other for other in left if _meet(other, joined)]:
            left = [other for other in left if other not in meeting]
            joined = _around([joined, *meeting])
        left.append(joined)
    return left


def _edge(box: Box) -> NDArray[np.float64]:
    """Points along the edge of a box."""
    x, y, width, height = box
    along, down = np.linspace(x, x + width - 1, _ALONG), np.linspace(y, y + height - 1, _ALONG)
    sides = [(along, np.full(_ALONG, at)) for at in (y, y + height - 1)]
    sides += [(np.full(_ALONG, at), down) for at in (x, x + width - 1)]
    return np.concatenate([np.column_stack(side) for side in sides]).astype(np.float64)


def _box_of(points: NDArray[np.float64], reach_px: int, size_px: tuple[int, int]) -> Box | None:
    """The px around points and so much more, of a picture of this size; None if there are none."""
    low = np.maximum(np.floor(points.min(axis=0)).astype(int) - reach_px, 0)
    high = np.minimum(np.ceil(points.max(axis=0)).astype(int) + reach_px + 1, size_px[::-1])
    width, height = (high - low).tolist()
    return None if width <= 0 or height <= 0 else (int(low[0]), int(low[1]), width, height)


def _joined(boxes: Sequence[Box], size_px: tuple[int, int]) -> Box:
    """One box around boxes, from a whole number of cells on, as `around` has them."""
    x, y, width, height = _around(boxes)
    x0, y0 = x // _CELL_PX * _CELL_PX, y // _CELL_PX * _CELL_PX
    return x0, y0, min(size_px[1], x + width) - x0, min(size_px[0], y + height) - y0


def _around(boxes: Sequence[Box]) -> Box:
    x0, y0 = (min(box[k] for box in boxes) for k in (0, 1))
    x1, y1 = (max(box[k] + box[k + 2] for box in boxes) for k in (0, 1))
    return x0, y0, x1 - x0, y1 - y0


def _meet(one: Box, other: Box) -> bool:
    return all(one[k] < other[k] + other[k + 2] and other[k] < one[k] + one[k + 2] for k in (0, 1))
