"""Where each place of one view lies in the other, and which frames of both stacks are focused on one plane.

Found from the merged views, before any retouch, and kept in the shoot's cache: another retouch of the same
views needs no new matching.
"""

from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np

from nearpair.geometry.distortion import Distortion
from nearpair.geometry.projective import Projective
from nearpair.pairs.carried import Lie, Planes, planes_of
from nearpair.pairs.focal import sampled
from nearpair.pixels.luma import Plane
from nearpair.progress import Progress
from nearpair.proof.model import LensProfile
from nearpair.shoot.atomic import replacing
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.levelling import Focused
from nearpair.shoot.looking import Member
from nearpair.shoot.memo import Memo, key_of
from nearpair.shoot.merging import Merged, merged_last
from nearpair.shoot.mounting import focal_of, lay, straight_focus
from nearpair.shoot.straightening import distortion_of, straight
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
    lens: LensProfile


def counterparts(
    shoot: ShootFolder,
    memo: Memo,
    pair: tuple[Member, Member],
    merged: tuple[Merged, Merged],
    views: tuple[View, View],
    lens: LensProfile,
    progress: Progress,
) -> Counterparts:
    """Match the merged views of a pair, unless it was done before. Raises PairError when they do not fit."""
    known = _recalled(shoot, memo, merged, lens)
    if known is not None:
        return known
    progress("comparing the views", 0, 1)
    found = _found(pair, merged, views, distortion_of(lens))
    key, arrays = _key(merged, lens), _file(shoot)
    with replacing(arrays) as part, part.open("wb") as file:
        np.savez(file, disparity=found.lie.disparity)
    lie = found.lie
    stored = _Stored(lie.size_px, lie.places, lie.factor, found.planes, lens)
    memo.record(_STAGE, key, [arrays], msgspec.json.encode(stored))
    progress("comparing the views", 1, 1)
    return found


def counterparts_kept(
    shoot: ShootFolder, memo: Memo, stations: tuple[str, str], lens: LensProfile
) -> Counterparts | None:
    """What was found of these stations' views as they are merged now; None if it is not there."""
    merged = [merged_last(shoot, memo, name) for name in stations]
    if merged[0] is None or merged[1] is None:
        return None
    return _recalled(shoot, memo, (merged[0], merged[1]), lens)


def counterparts_of_pair(lie: Lie, focus: tuple[Plane, Plane], every: int = 1) -> Counterparts:
    """Of views that lie so. focus: map of each view, fractional frames, every so many px."""
    first_px, second_px, disparity_px = lie.both()
    first, second = sampled(focus[0], first_px / every), sampled(focus[1], second_px / every)
    return Counterparts(lie, (planes_of(first, second, disparity_px), planes_of(second, first, disparity_px)))


def _recalled(
    shoot: ShootFolder, memo: Memo, merged: tuple[Merged, Merged], lens: LensProfile
) -> Counterparts | None:
    arrays = _file(shoot)
    recalled = memo.recall(_STAGE, _key(merged, lens), [arrays])
    if recalled is None:
        return None
    stored = msgspec.json.decode(recalled, type=_Stored)
    with np.load(arrays) as kept:
        disparity = np.asarray(kept["disparity"], np.float32)
    lie = Lie(stored.size_px, stored.places, disparity, stored.factor, distortion_of(stored.lens))
    return Counterparts(lie, stored.planes)


def _key(merged: tuple[Merged, Merged], lens: LensProfile) -> str:
    return key_of(merged[0].key, merged[1].key, lens)


def _file(shoot: ShootFolder) -> Path:
    return shoot.cache / "counterparts.npz"


def _found(
    pair: tuple[Member, Member],
    merged: tuple[Merged, Merged],
    views: tuple[View, View],
    bent: Distortion | None,
) -> Counterparts:
    pictures = (straight(views[0].rgb, bent), straight(views[1].rgb, bent))
    one, two = (
        straight_focus(Focused(view.focus, len(member.station.frames)), bent)
        for view, member in zip(views, pair, strict=True)
    )
    usable = (merged[0].covered_px, merged[1].covered_px)
    laid, _ = lay(pictures, (one, two), usable, focal_of(pair), 1.0)
    places = (Projective.like(laid.left), laid.right)
    lie = Lie(laid.size_px, places, laid.disparity, laid.factor, bent)
    return counterparts_of_pair(lie, (views[0].focus, views[1].focus))
