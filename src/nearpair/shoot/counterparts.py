"""Where each place of one view lies in the other, and which frames of both stacks are focused on one plane.

Found from the merged views, before any retouch, and kept in the shoot's cache: another retouch of the same
views needs no new matching.
"""

from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np

from nearpair.geometry.projective import Projective
from nearpair.pairs.carried import Lie, Planes, planes_of
from nearpair.pairs.focal import sampled
from nearpair.progress import Progress
from nearpair.shoot.atomic import replacing
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.levelling import Focused
from nearpair.shoot.looking import Member
from nearpair.shoot.memo import Memo, key_of
from nearpair.shoot.merging import Merged
from nearpair.shoot.mounting import focal_of, lay
from nearpair.views.merge import View

_STAGE = "counterparts"


@dataclass(frozen=True, slots=True, eq=False)
class Counterparts:
    """How the views lie, and the planes of focus of the left and of the right stack, None where not known."""

    lie: Lie
    planes: tuple[Planes | None, Planes | None]


class _Stored(msgspec.Struct, frozen=True):
    size_px: tuple[int, int]
    places: tuple[Projective, Projective]
    factor: int
    planes: tuple[Planes | None, Planes | None]


def counterparts(
    shoot: ShootFolder,
    memo: Memo,
    pair: tuple[Member, Member],
    merged: tuple[Merged, Merged],
    views: tuple[View, View],
    progress: Progress,
) -> Counterparts:
    """Match the merged views of a pair, unless it was done before. Raises PairError when they do not fit."""
    key = key_of(merged[0].key, merged[1].key)
    arrays = _file(shoot)
    recalled = memo.recall(_STAGE, key, [arrays])
    if recalled is not None:
        stored = msgspec.json.decode(recalled, type=_Stored)
        with np.load(arrays) as kept:
            disparity = np.asarray(kept["disparity"], np.float32)
        return Counterparts(Lie(stored.size_px, stored.places, disparity, stored.factor), stored.planes)
    progress("comparing the views", 0, 1)
    found = _found(pair, merged, views)
    with replacing(arrays) as part, part.open("wb") as file:
        np.savez(file, disparity=found.lie.disparity)
    lie = found.lie
    stored = _Stored(lie.size_px, lie.places, lie.factor, found.planes)
    memo.record(_STAGE, key, [arrays], msgspec.json.encode(stored))
    progress("comparing the views", 1, 1)
    return found


def _file(shoot: ShootFolder) -> Path:
    return shoot.cache / "counterparts.npz"


def _found(
    pair: tuple[Member, Member], merged: tuple[Merged, Merged], views: tuple[View, View]
) -> Counterparts:
    pictures = (views[0].rgb, views[1].rgb)
    one, two = (
        Focused(view.focus, len(member.station.frames)) for view, member in zip(views, pair, strict=True)
    )
    usable = (merged[0].covered_px, merged[1].covered_px)
    laid, _ = lay(pictures, (one, two), usable, focal_of(pair), 1.0)
    lie = Lie(laid.size_px, (Projective.like(laid.left), laid.right), laid.disparity, laid.factor)
    first_px, second_px, disparity_px = lie.both()
    first, second = sampled(views[0].focus, first_px), sampled(views[1].focus, second_px)
    return Counterparts(lie, (planes_of(first, second, disparity_px), planes_of(second, first, disparity_px)))
