"""What retouches ask for: which frame goes into which area of which view, and what cannot be done."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from msgspec.structs import replace

from nearpair.errors import ShootError
from nearpair.geometry.strokes import Stroke
from nearpair.pairs.carried import Planes, carried
from nearpair.proof.model_retouch import Retouched
from nearpair.shoot.counterparts import Counterparts
from nearpair.shoot.decisions import Retouch
from nearpair.shoot.looking import Member
from nearpair.shoot.merging import places_of
from nearpair.views.retouch import Area, area_of, depth_at

Pair = tuple[Member, Member]


@dataclass(frozen=True, slots=True)
class Chosen:
    """A retouch of this pair: whose view it was drawn on (0 left, 1 right), its frame's number there."""

    retouch: Retouch
    eye: int
    number: int
    where: str
    """How a sentence of what is wrong with it begins."""

    @property
    def stroke(self) -> Stroke:
        """What it covers, px of that view."""
        return Stroke(self.retouch.points, self.retouch.radius_px)


@dataclass(frozen=True, slots=True, eq=False)
class Put:
    """A frame, by its number, that goes into an area of an eye's view; what the focus map is to say there."""

    eye: int
    area: Area
    number: int
    focus: float


def chosen_of(pair: Pair, retouches: Sequence[Retouch]) -> list[Chosen]:
    """Those retouches that were drawn on a station of the pair. Raises ShootError, see `number_of`."""
    chosen = []
    names = [member.station.name for member in pair]
    for number, retouch in enumerate(retouches, 1):
        if retouch.station in names:
            eye = names.index(retouch.station)
            where = f"[[retouches]] number {number}: "
            frame = number_of(pair[eye], retouch.frame, where)
            chosen.append(Chosen(_as_it_lies(pair[eye], retouch), eye, frame, where))
    return chosen


def adrift_of(pair: Pair, retouches: Sequence[Retouch]) -> list[Retouch]:
    """Those that were drawn on a view that nothing leads from any longer: its frame is gone."""
    by_name = {member.station.name: member for member in pair}
    return [
        retouch
        for retouch in retouches
        if retouch.station in by_name and retouch.on and _drawn_on(by_name[retouch.station], retouch) is None
    ]


def _drawn_on(member: Member, retouch: Retouch) -> int | None:
    """Which of the registered frames a retouch was drawn on; None if it is not among them."""
    names = [member.station.frames[number].path.name for number in member.survey.used]
    return names.index(retouch.on) if retouch.on in names else None


def _as_it_lies(member: Member, retouch: Retouch) -> Retouch:
    """A retouch where the view lies now, should its frames be laid on another one than when it was drawn."""
    drawn_on = _drawn_on(member, retouch)
    if drawn_on is None or drawn_on == member.reference:
        return retouch
    place = places_of(member)[drawn_on]
    points = place.apply(np.array(retouch.points, np.float64)).tolist()
    moved = tuple((float(x), float(y)) for x, y in points)
    return replace(retouch, points=moved, radius_px=retouch.radius_px * place.scale)


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


_CHOOSE = "Choose another frame of that station, or take the retouch back (in its list, or with --take-back)."


def check_retouches(retouches: Sequence[Retouch], stations: Sequence[str], pair: Pair | None) -> None:
    """Raises ShootError for a retouch that cannot be done: of which station, frame or place."""
    for number, retouch in enumerate(retouches, 1):
        if retouch.station not in stations:
            found = f"[[retouches]] number {number}: there is no station {retouch.station!r} in this shoot"
            raise ShootError(f"{found}; it has {', '.join(stations)}.", "Correct it in shoot.toml.")
    if pair is None:
        return
    for one in chosen_of(pair, retouches):
        height, width = pair[one.eye].station.frames[0].size_px
        if one.stroke.box((height, width)) is None:
            found = f"{one.where}it lies outside the view of {one.retouch.station}, {width} x {height} px"
            raise ShootError(f"{found}.", "Correct its points in shoot.toml, or take it out.")


def puts_of(one: Chosen, pair: Pair, found: Counterparts | None) -> tuple[list[Put], Retouched]:
    """What a retouch puts where, and what is told of it. found: None leaves the other eye as it is."""
    area = area_of(one.stroke, pair[one.eye].station.frames[0].size_px)
    told = Retouched(station=one.retouch.station, frame=one.retouch.frame)
    puts = [] if area is None else [Put(one.eye, area, one.number, float(one.number))]
    if one.retouch.eyes == "one" or found is None:
        return puts, told
    there, told = _carried(one, pair, found, told)
    return [*puts, *there], told


def _carried(one: Chosen, pair: Pair, found: Counterparts, told: Retouched) -> tuple[list[Put], Retouched]:
    """The same for the other eye, as far as it sees the area."""
    other = 1 - one.eye
    member = pair[other]
    told = replace(told, other_station=member.station.name)
    planes = found.planes[one.eye]
    if planes is None:
        return [], replace(told, reason="focus and depth do not tell which frame fits there")
    exact = planes.other_at(one.number)
    number = nearest_used(member, exact)
    if number is None:
        return [], replace(told, reason="its stack does not reach that plane of focus")
    at = carried(one.stroke, one.eye, found.lie, *_plane(planes, one.number))
    if isinstance(at, str):
        return [], replace(told, reason=at)
    area = Area(at.box, depth_at(one.stroke, at.places_px), one.retouch.radius_px)
    name = member.station.frames[number].path.name
    told = replace(told, other_frame=name, other_share=at.share, shift_px=at.shift_px)
    return [Put(other, area, number, exact)], told


def nearest_used(member: Member, number: float) -> int | None:
    """The registered frame nearest to a (fractional) number; None beyond the ends of the stack."""
    if not -1 <= number <= len(member.station.frames):
        return None
    used = np.array(member.survey.used)
    return int(used[np.argmin(np.abs(used - number))])


def _plane(planes: Planes, number: int) -> tuple[float, float]:
    return planes.disparity_at(number), planes.leeway_px(number)
