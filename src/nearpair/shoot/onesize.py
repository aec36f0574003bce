"""Stations whose frames have one size, for only such can be mounted together; others are set aside."""

from collections import Counter
from collections.abc import Sequence

from nearpair.errors import SourceError
from nearpair.proof.model import SetAside
from nearpair.stacks.grouping import Station

_REMEDY = "Use the frames as the camera wrote them, from one camera at one setting."


def of_one_size(
    stations: Sequence[Station], by_hand: set[str]
) -> tuple[tuple[Station, ...], tuple[SetAside, ...]]:
    """The stations of the size that most frames have, and the frames of the others with the reason.

    by_hand: names of stations that were chosen. Raises SourceError if fewer than two stations of one size are
    left, or if one that was chosen by hand would be set aside.
    """
    sizes = Counter[tuple[int, int]]()
    for station in stations:
        sizes[station.frames[0].size_px] += len(station.frames)
    if len(sizes) < 2:
        return tuple(stations), ()
    usual = sizes.most_common(1)[0][0]
    kept = tuple(station for station in stations if station.frames[0].size_px == usual)
    others = [station for station in stations if station.frames[0].size_px != usual]
    if len(kept) < 2 or any(station.name in by_hand for station in others):
        listed = ", ".join(f"{s.name}: {_said(s.frames[0].size_px)}" for s in stations)
        held = "; ".join(station.held() for station in stations)
        raise SourceError(f"The stations have frames of different sizes ({listed} px). {held}.", _REMEDY)
    names = Counter(frame.path.name for station in stations for frame in station.frames)
    return kept, tuple(
        SetAside(
            file=frame.path.name
            if names[frame.path.name] == 1
            else f"{frame.path.parent.name}/{frame.path.name}",
            reason=f"It is {_said(frame.size_px)} px where other stations have {_said(usual)} px. {_REMEDY}",
        )
        for station in others
        for frame in station.frames
    )


def _said(size_px: tuple[int, int]) -> str:
    return f"{size_px[1]} x {size_px[0]}"
