"""Retouches in words: which frame a place shows, how sharp the others are there, and what was put where."""

import shlex
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from nearpair.cli.lines import GOOD, WEAK, Line

if TYPE_CHECKING:
    from nearpair.proof.model_retouch import Retouched
    from nearpair.shoot.decisions import Retouch
    from nearpair.shoot.sources import BothSources, SourceAt

_AROUND, _BAR = 6, 24


def source(found: "BothSources", eye: int) -> Iterator[Line]:
    """Which frames a place shows to both eyes, the one that was asked about first, with its neighbours."""
    eyes = (("Left", found.left), ("Right", found.right))
    for name, at in (eyes[eye], eyes[1 - eye]):
        if at is None:
            yield Line(name, "outside this picture, or its depth is not known there", WEAK)
        else:
            yield from _at(name, at)


def _at(name: str, at: "SourceAt") -> Iterator[Line]:
    x, y = at.point_px
    here = f"{at.station}, {x:.0f},{y:.0f}: "
    if at.number is None:
        yield Line(name, f"{here}nothing tells which frame is the sharpest")
        return
    number = min(max(round(at.number), 0), len(at.frames) - 1)
    yield Line(name, f"{here}{at.frames[number]}, number {number + 1} of {len(at.frames)}")
    first = max(0, number - _AROUND)
    for k in range(first, min(len(at.frames), number + _AROUND + 1)):
        sharp = at.sharpness[k]
        bar = "" if sharp is None else "#" * round(_BAR * sharp)
        text = f"{at.frames[k]}  {bar}" if at.usable[k] else f"{at.frames[k]}  (not registered)"
        yield Line("", text, GOOD if k == number else WEAK, whole=True)


def listed(decided: Sequence["Retouch"], done: Sequence["Retouched"], shoot: Path) -> Iterator[Line]:
    """All retouches by number, and what was done for the other eye."""
    if not decided:
        yield Line("Retouches", "none")
        return
    left = list(done)
    for number, one in enumerate(decided, 1):
        x, y = one.points[0]
        on = f"{one.station}, around {x:.0f},{y:.0f}: {one.frame}"
        found = next((d for d in left if (d.station, d.frame) == (one.station, one.frame)), None)
        if found is not None:
            left.remove(found)
        yield Line(str(number), f"{on}{_other(one, found)}")
    yield Line("Next", f"nearpair proof {shlex.quote(str(shoot))}   (brings the rest up to date)", whole=True)


def _other(one: "Retouch", done: "Retouched | None") -> str:
    if one.eyes == "one":
        return "; the other eye as it is"
    if done is None:
        return "; not mounted so yet"
    if done.other_frame is None:
        return f"; {done.other_station} as it is: {done.reason}"
    share = 1.0 if done.other_share is None else done.other_share
    seen = "" if share > 0.995 else f", which sees {share:.0%} of it"
    return f"; {done.other_station}{seen}: {done.other_frame}"
