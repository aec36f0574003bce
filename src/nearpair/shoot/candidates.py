"""Every pair that the stations of a shoot can make, looked at on small pictures before anything is merged."""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np

from nearpair.geometry.projective import Projective
from nearpair.geometry.transforms import Similarity
from nearpair.pairs.choice import off_thirtieth, usual_focal_px
from nearpair.pairs.evidence import SmallView
from nearpair.pairs.eyes import EyesFound, StackEvidence
from nearpair.pairs.glance import FEATURES, Glance, glance
from nearpair.pairs.matches import features, match_features
from nearpair.pairs.mounting import Rectangle, covered
from nearpair.pairs.placing import Laid
from nearpair.pixels.luma import Plane
from nearpair.progress import Progress
from nearpair.shoot.atomic import replacing
from nearpair.shoot.memo import key_of
from nearpair.shoot.smallviews import focal_px, reference_of, small_view
from nearpair.shoot.surveying import Keeper, stack_key
from nearpair.stacks.grouping import Station
from nearpair.stacks.registration import placed
from nearpair.stacks.survey import Survey

# Depths measured at this size are 4 to 7 % less than those of the finished pair (docs/measured.md). They
# take a third of the time that 750 px take.
_LONG_SIDE_PX = 600
# More pairs than ten stations make are not all looked at: those whose base is nearest to one thirtieth are.
MOST_PAIRS = 45
_ENOUGH_FRAMES = 0.6
"""A station with less than this share of the frames of the fullest one is not chosen if there are others."""


class Told(msgspec.Struct, frozen=True):
    """What a look at the stations number `first` and `second` says; `problem` if they do not fit together."""

    first: int
    second: int
    problem: str = ""
    found: EyesFound | None = None
    shift_px: float | None = None
    left: Similarity = Similarity()
    right: Projective = Projective()

    def eyes(self) -> tuple[int, int]:
        """The stations of the left and of the right eye, as the pictures say."""
        straight = self.found is None or self.found.first_is_left
        return (self.first, self.second) if straight else (self.second, self.first)


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """All pairs of a shoot that were looked at: `told`, and the disparity (h, w) of each left view, in px."""

    views: tuple[SmallView, ...]
    usable: tuple[Rectangle, ...]
    told: tuple[Told, ...]
    disparities: tuple[Plane | None, ...]
    positions_px: tuple[float | None, ...]
    """Sideways position of each station as the shift of its picture, to the right; None: it fits no other."""
    few_frames: tuple[str, ...]
    """For each station what is wrong with it if it has few frames, else ""."""
    key: str
    """Stands for the frames of all stations."""

    @property
    def width_px(self) -> int:
        """Width of the small views."""
        return int(self.views[0].luma.shape[1])

    def laid(self, number: int) -> Laid | None:
        """Pair `number` ready for mounting, in px of the small views; None if it does not fit."""
        told, disparity = self.told[number], self.disparities[number]
        if disparity is None:
            return None
        size = (self.views[0].luma.shape[0], self.views[0].luma.shape[1])
        left, right = told.eyes()
        usable = (self.usable[left], self.usable[right])
        return Laid(size, told.left, told.right, usable, disparity, 1)

    def between(self, one: int, other: int) -> Told | None:
        """What a look at two stations said, or None if nobody looked."""
        return next((t for t in self.told if {t.first, t.second} == {one, other}), None)


def look_at_pairs(
    stations: Sequence[Station],
    surveys: Sequence[Survey],
    stacks: Sequence[StackEvidence],
    keeper: Keeper | None,
    progress: Progress,
) -> Pairs:
    """Compare each station with each other, or take what an earlier run found."""
    sizes = [station.frames[0].size_px for station in stations]
    views = [small_view(v, size, _LONG_SIDE_PX) for v, size in zip(surveys, sizes, strict=True)]
    key = key_of([stack_key(s.frames) for s in stations], stacks)
    arrays = None if keeper is None else keeper.folder / "pairs.npz"
    kept = None if keeper is None or arrays is None else keeper.memo.recall("pairs", key, [arrays])
    if kept is not None and arrays is not None:
        told, disparities = _recalled(kept, arrays)
    else:
        focal = focal_px(stations[0].frames[0], views[0].luma.shape[1])
        told, disparities = _looked(views, stacks, focal, progress)
        if keeper is not None and arrays is not None:
            _keep(arrays, disparities)
            keeper.memo.record("pairs", key, [arrays], msgspec.json.encode(told))
    usable = tuple(_usable(v, view) for v, view in zip(surveys, views, strict=True))
    positions = tuple(_positions(told, len(stations)))
    return Pairs(tuple(views), usable, tuple(told), tuple(disparities), positions, _few_frames(stacks), key)


def _recalled(kept: bytes, arrays: Path) -> tuple[list[Told], list[Plane | None]]:
    told = msgspec.json.decode(kept, type=list[Told])
    with np.load(arrays) as file:
        return told, [file.get(str(k)) for k in range(len(told))]


def _keep(arrays: Path, disparities: Sequence[Plane | None]) -> None:
    with replacing(arrays) as part, part.open("wb") as file:
        np.savez(file, allow_pickle=False, **{str(k): d for k, d in enumerate(disparities) if d is not None})


def _looked(
    views: Sequence[SmallView], stacks: Sequence[StackEvidence], focal: float | None, progress: Progress
) -> tuple[list[Told], list[Plane | None]]:
    told: list[Told] = []
    disparities: list[Plane | None] = []
    todo = list(itertools.combinations(range(len(views)), 2))
    if len(todo) > MOST_PAIRS:
        todo = [(k, k + 1) for k in range(len(views) - 1)]
    points = [features(view.luma, FEATURES) for view in views]
    count = min(MOST_PAIRS, len(views) * (len(views) - 1) // 2)
    while todo:
        i, j = todo.pop(0)
        progress("comparing all pairs", len(told), count)
        shared = match_features(points[i], points[j])
        found = glance(views[i], views[j], shared, (stacks[i], stacks[j]))
        if isinstance(found, Glance):
            told.append(Told(i, j, "", found.found, found.shift_px, found.left, found.right))
            disparities.append(found.disparity)
        else:
            told.append(Told(i, j, found.reason))
            disparities.append(None)
        if not todo and len(told) == len(views) - 1 < count:
            todo = _further(told, len(views), focal or usual_focal_px(views[0].luma.shape[1]))
    progress("comparing all pairs", count, count)
    return told, disparities


def _further(told: Sequence[Told], stations: int, focal: float) -> list[tuple[int, int]]:
    """Of many pairs those to look at after the neighbours: bases nearest to one thirtieth first."""
    positions = _positions(told, stations)
    looked = {(t.first, t.second) for t in told}
    ranked = []
    for i, j in itertools.combinations(range(stations), 2):
        one, other = positions[i], positions[j]
        if (i, j) not in looked and one is not None and other is not None and one != other:
            ranked.append((off_thirtieth(one - other, focal), i, j))
    return [(i, j) for _, i, j in sorted(ranked)[: MOST_PAIRS - len(told)]]


def _positions(told: Sequence[Told], stations: int) -> list[float | None]:
    """Positions that agree best with all shifts, for the largest group of stations that hang together."""
    known = [t for t in told if t.shift_px is not None]
    group = max((_reached(known, start, stations) for start in range(stations)), key=len)
    if len(group) < 2:
        return [None] * stations
    place = {station: k for k, station in enumerate(sorted(group))}
    inside = [t for t in known if t.first in place]
    design, shifts = np.zeros((len(inside) + 1, len(place))), np.zeros(len(inside) + 1)
    for row, t in enumerate(inside):
        design[row, place[t.first]], design[row, place[t.second]] = -1.0, 1.0
        shifts[row] = t.shift_px or 0.0
    design[-1, 0] = 1.0  # the first station of the group stands at 0
    solved = np.linalg.lstsq(design, shifts, rcond=None)[0]
    return [float(solved[place[k]]) if k in place else None for k in range(stations)]


def _reached(told: Sequence[Told], start: int, stations: int) -> set[int]:
    group = {start}
    for _ in range(stations):
        for t in told:
            if t.first in group or t.second in group:
                group |= {t.first, t.second}
    return group


def _usable(survey: Survey, view: SmallView) -> Rectangle:
    """What all frames of a station cover, in px of its small view."""
    size = (survey.sharp.shape[0], survey.sharp.shape[1])
    places = [p.matrix() for p in placed(survey.steps, "ring", reference_of(survey), size)]
    factor = size[0] // view.luma.shape[0]
    x0, y0, x1, y1 = ((at + 0.5) / factor - 0.5 for at in covered(np.stack(places), size))
    height, width = view.luma.shape
    return max(x0, 0.0), max(y0, 0.0), min(x1, width - 1.0), min(y1, height - 1.0)


def _few_frames(stacks: Sequence[StackEvidence]) -> tuple[str, ...]:
    most = max(stack.frames for stack in stacks)
    return tuple(
        f"{s.name} has {s.frames} usable {'frame' if s.frames == 1 else 'frames'}, another station {most}"
        if s.frames < _ENOUGH_FRAMES * most
        else ""
        for s in stacks
    )
