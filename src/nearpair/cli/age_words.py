"""Outputs that show an earlier state of the picture, in words, and what makes them again."""

import shlex
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from nearpair.cli.lines import LOUD, WEAK, Line

if TYPE_CHECKING:
    from nearpair.shoot.again import Remade
    from nearpair.shoot.outlog import Age

SHOWN_AT_MOST = 3


def older(shoot: Path) -> list[Line]:
    """Lines of a summary for a shoot some of whose outputs are older than the picture; else none."""
    from nearpair.errors import NearpairError
    from nearpair.shoot.again import ages
    from nearpair.shoot.folder import ShootFolder

    try:
        old = [age.file for age in ages(ShootFolder.open(shoot)) if age.older]
    except NearpairError:  # the summary of what was done is worth more than this
        return []
    if not old:
        return []
    names = ", ".join(old[:SHOWN_AT_MOST]) + (
        f" and {len(old) - SHOWN_AT_MOST} more" if len(old) > SHOWN_AT_MOST else ""
    )
    many = f"{len(old)} files in out show" if len(old) > 1 else "1 file in out shows"
    return [Line("Older", f"{many} an earlier state of the picture: {names}", LOUD), _next(shoot)]


def _next(shoot: Path) -> Line:
    """What makes older outputs again."""
    command = f"nearpair export {shlex.quote(str(shoot))} --again"
    return Line("Again", f"{command}   (makes them as they were made before)", whole=True)


def listed(found: Sequence["Age"], shoot: Path) -> Iterator[Line]:
    """Lines that list all outputs of a shoot, and which of them are older than the picture."""
    if not found:
        yield Line("", f"Nothing is exported yet. Begin with: nearpair export {shlex.quote(str(shoot))}")
    for age in found:
        if age.older:
            yield Line("Older", f"{age.file} ({age.older})", LOUD)
        elif age.known:
            yield Line("As is now", age.file)
        else:
            yield Line("Unknown", f"{age.file} (nothing tells how it was made)", WEAK)
    if any(age.older for age in found):
        yield _next(shoot)
    yield Line("", "Other forms: nearpair export --list names them all.", WEAK)


def remade(found: "Remade") -> Iterator[Line]:
    """Lines that say what was made again."""
    for file in found.files:
        yield Line("Made", file, whole=True)
    for form in found.forms:
        yield Line("Made", ", ".join(form.files), whole=True)
    for reason in found.failed:
        yield Line("Not made", reason, LOUD)
    if not (found.files or found.forms or found.failed):
        yield Line("", "Every output shows the picture as it is now: there was nothing to make again.")
