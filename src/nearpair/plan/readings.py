"""Every frame of a shoot in the order in which it is shot: out on one station, back on the next."""

from collections.abc import Mapping, Sequence

from nearpair.plan.model import Reading, Stack

NAMES = ("left", "right")


def station_offsets(bases_mm: Sequence[float]) -> dict[str, float]:
    """Readings of the sideways axis by station: the left one at 0, one more for each base, ascending.

    With a single base the stations are `left` and `right`; with more they are numbered from the left.
    """
    offsets = [0.0, *sorted(bases_mm)]
    names = NAMES if len(offsets) == 2 else [f"station-{number}" for number in range(1, len(offsets) + 1)]
    return dict(zip(names, offsets, strict=True))


def readings(stack: Stack, stations: Mapping[str, float]) -> list[Reading]:
    """All frames in shooting order; the sideways axis moves only between two stacks."""
    found: list[Reading] = []
    for turn, (station, base_mm) in enumerate(stations.items()):
        order = range(stack.frames) if turn % 2 == 0 else range(stack.frames - 1, -1, -1)
        for frame in order:
            found.append(
                Reading(
                    number=len(found) + 1,
                    station=station,
                    frame=frame,
                    base_mm=base_mm,
                    position_mm=stack.positions_mm[frame],
                    is_reference=frame == stack.reference_frame,
                )
            )
    return found


def table(found: Sequence[Reading]) -> str:
    """Return the readings as CSV (RFC 4180), with a header; an empty position is infinity."""
    lines = ["number,station,frame,sideways_mm,position_mm,reference"]
    for each in found:
        position = "" if each.position_mm is None else f"{each.position_mm:.6g}"
        mark = "yes" if each.is_reference else ""
        lines.append(f"{each.number},{each.station},{each.frame + 1},{each.base_mm:.6g},{position},{mark}")
    return "".join(f"{line}\r\n" for line in lines)
