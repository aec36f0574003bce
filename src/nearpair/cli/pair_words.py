"""All pairs that several stations can make, as a table: the best first, the chosen one marked."""

import shlex
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from nearpair.cli.lines import GOOD, WEAK, Line
from nearpair.proof.model_pairs import Candidate, NextBase
from nearpair.proof.phrases import percent

if TYPE_CHECKING:
    from nearpair.shoot.run import Candidates

SHOWN_AT_MOST = 10
_HEADINGS = ("pair", "base", "near", "far", "relief", "used", "verdict")


def table(found: Sequence[Candidate]) -> Iterator[Line]:
    """List the pairs; nothing when there are none."""
    if not found:
        return
    shown = [c for number, c in enumerate(found) if number < SHOWN_AT_MOST or c.chosen]
    rows = [_HEADINGS, *(_row(candidate) for candidate in shown)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(_HEADINGS))]
    for number, row in enumerate(rows):
        first = row[0].ljust(widths[0])
        middle = [cell.rjust(width) for cell, width in zip(row[1:-1], widths[1:-1], strict=True)]
        chosen = number > 0 and shown[number - 1].chosen
        text = "  ".join([first, *middle, row[-1]])
        style = WEAK if number == 0 else GOOD if chosen else ""
        yield Line(
            "Pairs" if number == 0 else "", f"{text}{'  <- chosen' if chosen else ''}", style, whole=True
        )
    if len(found) > len(shown):
        yield Line("", f"and {len(found) - len(shown)} more", WEAK)


def _row(candidate: Candidate) -> tuple[str, ...]:
    told = candidate.used_share is None or candidate.verdict == "few frames"
    return (
        f"{candidate.left} + {candidate.right}",
        _base(candidate),
        _arcmin(candidate.near_arcmin),
        _arcmin(candidate.far_arcmin),
        "-" if candidate.relief is None else f"{candidate.relief:.0f}",
        "-" if candidate.used_share is None else percent(candidate.used_share),
        f"{candidate.verdict}: {candidate.reason.partition('; ')[0]}" if told else candidate.verdict,
    )


def _base(candidate: Candidate) -> str:
    if candidate.base_mm is not None:
        return f"{candidate.base_mm:.1f} mm"
    return "-" if candidate.base_share is None else f"{candidate.base_share:.2f}"


def _arcmin(value: float | None) -> str:
    return "-" if value is None else f"{value:+.0f}'"


def pairs(found: "Candidates", shoot: Path) -> list[Line]:
    """Return all pairs of a shoot, why one of them is chosen, and how to choose another."""
    several = len(found.candidates) > 1
    other = next((c for c in found.candidates if not c.chosen), None)
    lines = [*table(found.candidates)]
    if several:
        lines.append(Line("Chosen", f"{found.pair_reason[:1].upper()}{found.pair_reason[1:]}"))
    if found.next_base is not None:
        lines.append(Line("Next time", _next_time(found.next_base)))
    lines += [Line("Note", note, WEAK) for note in found.notes]
    lines.append(Line("Sheet", found.contact_sheet, whole=True))
    if several and other is not None:
        names = shlex.quote(f"{other.left},{other.right}")
        command = f"nearpair mount {shlex.quote(str(shoot))} --pair {names}"
        lines.append(Line("Other", f"{command}   (for example)", whole=True))
    return lines


def _next_time(found: NextBase) -> str:
    return (
        f"a base of {found.fills:.2g} times the chosen one just fills what is comfortable; "
        f"{found.enough:.2g} of it gives depth enough"
    )
