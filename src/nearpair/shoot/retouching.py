"""The retouch stage, between merging and mounting: areas of the views show frames that were chosen for them.

The merged views stay as they are; retouched ones lie beside them. So without retouches nothing changes, and
once a retouch is taken back the pair is what it was. Only the frames that are named, and those of the other
station that are focused on the same planes, are decoded.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np
from msgspec.structs import replace

from nearpair.errors import ShootError
from nearpair.frames.metadata import FrameInfo
from nearpair.frames.profiles import read_profile
from nearpair.frames.read import Pixels
from nearpair.frames.write import write_float_tiff, write_tiff
from nearpair.geometry.strokes import Stroke
from nearpair.pairs.carried import Planes, carried
from nearpair.progress import Progress
from nearpair.proof.model_retouch import Retouched
from nearpair.shoot.atomic import replacing
from nearpair.shoot.counterparts import Counterparts, counterparts
from nearpair.shoot.decisions import Retouch
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.looking import Member
from nearpair.shoot.memo import Memo, key_of
from nearpair.shoot.merging import Merged, places_of
from nearpair.shoot.mounting import reference_frame, views_of
from nearpair.shoot.reading import Reading
from nearpair.views.merge import View
from nearpair.views.retouch import Area, Source, area_of, depth_at, put_in

Pair = tuple[Member, Member]
Both = tuple[Merged, Merged]


class _Done(msgspec.Struct, frozen=True):
    done: list[Retouched]


@dataclass(frozen=True, slots=True)
class _One:
    """A retouch of this pair: whose view it was drawn on (0 left, 1 right), its frame's number there."""

    retouch: Retouch
    eye: int
    number: int
    where: str
    """How a sentence of what is wrong with it begins."""

    @property
    def stroke(self) -> Stroke:
        return Stroke(self.retouch.points, self.retouch.radius_px)


def retouch_pair(
    shoot: ShootFolder,
    memo: Memo,
    reading: Reading,
    pair: Pair,
    merged: Both,
    retouches: Sequence[Retouch],
    progress: Progress,
) -> tuple[Both, list[Retouched]]:
    """Put the chosen frames into the views, unless the same was done before.

    Returns what merging found, as mounting is to take it, and what was done. Retouches that were drawn on a
    station outside the pair wait. Raises ShootError for a frame that its station does not have.
    """
    chosen = _of_pair(pair, retouches)
    touched = _touched(chosen)
    files = [_files(shoot, pair[eye]) for eye in touched]
    outputs = [*sorted(view for view, _ in files), *sorted(focus for _, focus in files)]
    for stale in set(shoot.retouched_files()) - set(outputs):
        stale.unlink()
    if not chosen:
        return merged, []
    key = key_of(merged[0].key, merged[1].key, [one.retouch for one in chosen])
    recalled = memo.recall("retouch", key, outputs)
    if recalled is not None:
        done = msgspec.json.decode(recalled, type=_Done).done
    else:
        done = _Work(shoot, memo, reading, pair, merged, progress).all(chosen, touched)
        memo.record("retouch", key, outputs, msgspec.json.encode(_Done(done)))
    left, right = (
        replace(found, key=key_of(found.key, key), retouched=True) if eye in touched else found
        for eye, found in enumerate(merged)
    )
    return (left, right), done


def retouched_last(shoot: ShootFolder, memo: Memo) -> list[Retouched]:
    """What the stage did last, if its files still are as it left them."""
    found = memo.latest("retouch", shoot.retouched_files())
    return [] if found is None else msgspec.json.decode(found, type=_Done).done


def number_of(member: Member, frame: str, where: str) -> int:
    """Number of a frame in its station, in shooting order. `where` begins the sentence of what is wrong.

    Raises ShootError if the station has no such frame, or one that could not be registered.
    """
    names = [info.path.name for info in member.station.frames]
    if frame not in names:
        message = f"{where}there is no frame {frame!r} in {member.station.name}"
        raise ShootError(f"{message}; it has {names[0]} to {names[-1]}.", _CHOOSE)
    number = names.index(frame)
    if number not in member.survey.used:
        message = f"{where}{frame} could not be registered on its neighbours, so it cannot be shown"
        raise ShootError(f"{message}.", _CHOOSE)
    return number


_CHOOSE = "Choose another frame of that station, or take the retouch out of shoot.toml."


def check_retouches(retouches: Sequence[Retouch], stations: Sequence[str], pair: Pair | None) -> None:
    """Raises ShootError for a retouch that cannot be done: of which station, frame or place."""
    for number, retouch in enumerate(retouches, 1):
        if retouch.station not in stations:
            found = f"[[retouches]] number {number}: there is no station {retouch.station!r} in this shoot"
            raise ShootError(f"{found}; it has {', '.join(stations)}.", "Correct it in shoot.toml.")
    if pair is None:
        return
    for one in _of_pair(pair, retouches):
        height, width = pair[one.eye].station.frames[0].size_px
        if one.stroke.box((height, width)) is None:
            found = f"{one.where}it lies outside the view of {one.retouch.station}, {width} x {height} px"
            raise ShootError(f"{found}.", "Correct its points in shoot.toml, or take it out.")


def in_words(done: Sequence[Retouched], waiting: Sequence[Retouch]) -> list[str]:
    """What was retouched, for the notes of the proof."""
    stations = dict.fromkeys(retouch.station for retouch in waiting)
    wait = [f"Retouches that were drawn on {name} wait until it is in the pair." for name in stations]
    return [_said(one) for one in done] + wait


def _said(one: Retouched) -> str:
    own = f"Retouched: an area of {one.station} shows {one.frame}"
    if one.other_station is None:
        return f"{own}; the other eye was left as it is."
    if one.other_frame is None:
        return f"{own}; {one.other_station} was left as it is: {one.reason}."
    share = "" if one.other_share is None or one.other_share > 0.995 else f", {one.other_share:.0%} of it"
    return f"{own}, and that of {one.other_station}{share} {one.other_frame}, focused on the same plane."


def _of_pair(pair: Pair, retouches: Sequence[Retouch]) -> list[_One]:
    chosen = []
    names = [member.station.name for member in pair]
    for number, retouch in enumerate(retouches, 1):
        if retouch.station in names:
            eye = names.index(retouch.station)
            where = f"[[retouches]] number {number}: "
            chosen.append(_One(retouch, eye, number_of(pair[eye], retouch.frame, where), where))
    return chosen


def _touched(chosen: Sequence[_One]) -> list[int]:
    """The eyes whose views may change."""
    own = {one.eye for one in chosen}
    return sorted(own | {1 - one.eye for one in chosen if one.retouch.eyes == "both"})


def _files(shoot: ShootFolder, member: Member) -> tuple[Path, Path]:
    name = member.station.name
    return shoot.view(name, retouched=True), shoot.focus(name, retouched=True)


class _Work:
    """Puts frames into the views of a pair, one retouch after the other."""

    def __init__(
        self, shoot: ShootFolder, memo: Memo, reading: Reading, pair: Pair, merged: Both, progress: Progress
    ) -> None:
        self._shoot, self._memo, self._reading, self._pair = shoot, memo, reading, pair
        self._merged, self._progress = merged, progress
        rgb, focus = views_of(shoot, pair, merged)
        self._views = [View(picture, eye.frame) for picture, eye in zip(rgb, focus, strict=True)]
        self._places = [places_of(member) for member in pair]
        self._counterparts: Counterparts | None = None
        self._read: tuple[FrameInfo, Pixels] | None = None

    def all(self, chosen: Sequence[_One], touched: Sequence[int]) -> list[Retouched]:
        """Do all retouches in their order, and write the views they change."""
        if any(one.retouch.eyes == "both" for one in chosen):
            views = (self._views[0], self._views[1])
            self._counterparts = counterparts(
                self._shoot, self._memo, self._pair, self._merged, views, self._progress
            )
        done = []
        for count, one in enumerate(chosen):
            self._progress("retouching", count, len(chosen))
            done.append(self._one(one))
        for eye in touched:
            self._write(eye)
        self._progress("retouching", len(chosen), len(chosen))
        return done

    def _one(self, one: _One) -> Retouched:
        area = area_of(one.stroke, self._merged[one.eye].size_px)
        told = Retouched(station=one.retouch.station, frame=one.retouch.frame)
        if area is not None:
            self._put(one.eye, area, one.number, float(one.number))
        if one.retouch.eyes == "one" or self._counterparts is None:
            return told
        return self._carry(one, self._counterparts, told)

    def _carry(self, one: _One, found: Counterparts, told: Retouched) -> Retouched:
        """Do the same for the other eye, as far as it sees the area."""
        other = 1 - one.eye
        member = self._pair[other]
        told = replace(told, other_station=member.station.name)
        planes = found.planes[one.eye]
        if planes is None:
            return replace(told, reason="focus and depth do not tell which frame fits there")
        exact = planes.other_at(one.number)
        number = nearest_used(member, exact)
        if number is None:
            return replace(told, reason="its stack does not reach that plane of focus")
        at = carried(one.stroke, one.eye, found.lie, *_plane(planes, one.number))
        if isinstance(at, str):
            return replace(told, reason=at)
        area = Area(at.box, depth_at(one.stroke, at.places_px), one.retouch.radius_px)
        self._put(other, area, number, exact)
        name = member.station.frames[number].path.name
        return replace(told, other_frame=name, other_share=at.share, shift_px=at.shift_px)

    def _put(self, eye: int, area: Area, number: int, focus: float) -> None:
        member = self._pair[eye]
        k = member.survey.used.index(number)
        pixels = self._pixels(member.station.frames[number])
        source = Source(pixels, self._places[eye][k], member.survey.gains[k], focus)
        self._views[eye] = put_in(self._views[eye], area, source)

    def _pixels(self, frame: FrameInfo) -> Pixels:
        """A frame's pixels; the last one is at hand still."""
        if self._read is None or self._read[0] != frame:
            self._read = None  # its memory goes first
            self._read = frame, self._reading.pixels(frame)
        return self._read[1]

    def _write(self, eye: int) -> None:
        frame, view = reference_frame(self._pair[eye]), self._views[eye]
        picture, focus = _files(self._shoot, self._pair[eye])
        with replacing(picture) as part:
            write_tiff(part, view.rgb, read_profile(frame.path), frame)
        with replacing(focus) as part:
            write_float_tiff(part, view.focus)


def nearest_used(member: Member, number: float) -> int | None:
    """The registered frame nearest to a (fractional) number; None beyond the ends of the stack."""
    if not -1 <= number <= len(member.station.frames):
        return None
    used = np.array(member.survey.used)
    return int(used[np.argmin(np.abs(used - number))])


def _plane(planes: Planes, number: int) -> tuple[float, float]:
    return planes.disparity_at(number), planes.leeway_px(number)
