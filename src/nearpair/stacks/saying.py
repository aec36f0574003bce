"""What the sorting rests on, in plain words."""

from __future__ import annotations

from itertools import pairwise

from nearpair.stacks.ordering import Basis, Ordered, sideways
from nearpair.stacks.runs import PAUSE, Cut, Link, Run, link_between

FOLDERS = "Put the frames of each station in a folder of its own and give the folders."


def pool_notes(folder: str, ordered: Ordered, runs: list[Run], interval_s: float) -> list[str]:
    """Say what the order and the split of one folder rest on, and how sure that is."""
    notes = _order_notes(folder, ordered, runs)
    if len(runs) > 1 and ordered.timely:
        links = [link_between(a[-1], b[0], interval_s) for a, b in pairwise(runs)]
        notes.append(_split_note(folder, runs, links))
        notes += _odd_links(runs, links)
    return notes


def _order_notes(folder: str, ordered: Ordered, runs: list[Run]) -> list[str]:
    if max(len(run) for run in runs) == 1 or ordered.basis is Basis.TIME:
        return []
    if ordered.agreement is None:
        return [f"{folder}: shooting order from {ordered.basis.value}."]
    places = f" fall into {len(runs)} stations by where the picture lies, and" if len(runs) > 1 else ""
    told = (
        f"{folder}: without capture times, and with names that tell no order, the frames{places} are put in "
        f"line by how little neighbours differ. {100 * ordered.agreement:.0f} of 100 comparisons bear the "
        f"line out. The true sequence is unknown: the direction is set so that the picture grows along it, "
        f"and stations go from left to right. {_sureness(ordered.agreement)}"
    )
    return [told]


def _sureness(agreement: float) -> str:
    if agreement >= 0.98:
        return "That is sure enough to merge."
    return f"Check the order before merging. {FOLDERS}"


def _split_note(folder: str, runs: list[Run], links: list[Link]) -> str:
    told = f"{folder}: {len(runs)} stations of {', '.join(str(len(run)) for run in runs)} frames."
    jumps = [100 * link.moved for link in links if link.cut is Cut.JUMP]
    if jumps:
        told += f" The whole picture jumps by {_range(jumps)} % of its longer side at {_places(len(jumps))}."
    paused = [link.pause for link in links if link.pause >= PAUSE]
    if paused:
        told += f" A pause of {_range(paused)} intervals goes with {_places(len(paused))} of {len(links)}."
    return told


def _odd_links(runs: list[Run], links: list[Link]) -> list[str]:
    """Warn where the split is less sure than a sideways jump makes it."""
    notes = []
    for (before, after), link in zip(pairwise(runs), links, strict=True):
        between = f"Between {before[-1].file} and {after[0].file}"
        across = abs(sideways(link.shift, after[0].frame.orientation, across=True))
        if link.cut is Cut.UNLIKE:
            notes.append(f"{between} the picture changes altogether; are these two subjects? {FOLDERS}")
        elif link.cut is None:
            notes.append(f"{between} no jump is seen; a pause and focus starting anew split them. {FOLDERS}")
        elif across > link.moved / 2**0.5:
            notes.append(f"{between} the picture moves up or down, not sideways: check how it is turned.")
    return notes


def _range(values: list[float]) -> str:
    low, high = f"{min(values):.1f}", f"{max(values):.1f}"
    return low if low == high else f"{low} to {high}"


def _places(count: int) -> str:
    return "1 place" if count == 1 else f"{count} places"
