"""The pairs of a shoot as the viewer would meet them, ranked, and a small mounted picture of each."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from nearpair.errors import PairError
from nearpair.pairs.choice import off_thirtieth, usual_focal_px
from nearpair.pairs.mounting import Mount, mounted
from nearpair.pairs.placing import allowed_for, parallax_of, place
from nearpair.pixels.luma import Plane
from nearpair.proof.comfort import comfort
from nearpair.proof.depth import depth
from nearpair.proof.model import Residual
from nearpair.proof.model_pairs import Candidate
from nearpair.proof.ranking import Measured, ranked
from nearpair.shoot.candidates import Pairs
from nearpair.shoot.decisions import Decisions
from nearpair.stacks.grouping import Station

_LEAST_RANGE_PX = 1.5
"""Depth from near to far, in px of a small picture, below which it cannot be told from errors of matching."""


@dataclass(frozen=True, slots=True, eq=False)
class Judged:
    """One pair: the numbers of its stations (left, right), the verdict, how it is mounted (if it can be)."""

    stations: tuple[int, int]
    candidate: Candidate
    mount: Mount | None


def judge(
    pairs: Pairs, stations: Sequence[Station], focal_px: float | None, decisions: Decisions
) -> list[Judged]:
    """Judge all pairs under the viewing conditions, best first. focal_px: of the small views, if known."""
    mounts: dict[tuple[str, str], tuple[tuple[int, int], Mount | None]] = {}
    measured = []
    for number, told in enumerate(pairs.told):
        left, right = told.eyes()
        names = (stations[left].name, stations[right].name)
        base = _named(pairs, number, names, focal_px)
        one, mount = _measured(pairs, number, base, decisions)
        measured.append(one)
        mounts[names] = ((left, right), mount)
    return [Judged(mounts[m.left, m.right][0], c, mounts[m.left, m.right][1]) for m, c in ranked(measured)]


def picture_of(pairs: Pairs, judged: Judged) -> tuple[NDArray[np.uint8], NDArray[np.uint8]] | None:
    """The mounted small pair in grey, (h, w, 3) each; None if it could not be mounted."""
    if judged.mount is None:
        return None
    one, other = (_grey(pairs.views[k].luma) for k in judged.stations)
    left, right = mounted(one, other, judged.mount)
    return np.asarray(left, np.uint8), np.asarray(right, np.uint8)


def _grey(luma: Plane) -> NDArray[np.uint8]:
    codes = np.asarray(np.clip(luma * 255 + 0.5, 0, 255), np.uint8)
    return np.repeat(codes[..., None], 3, axis=2)


def _named(pairs: Pairs, number: int, names: tuple[str, str], focal: float | None) -> Measured:
    """What is known of a pair without its depth."""
    told = pairs.told[number]
    few = next((pairs.few_frames[k] for k in (told.first, told.second) if pairs.few_frames[k]), "")
    at = (pairs.positions_px[told.first], pairs.positions_px[told.second])
    if told.shift_px is None or at[0] is None or at[1] is None:
        return Measured(*names, few_frames=few, problem=told.problem or "it fits no other station")
    known = [p for p in pairs.positions_px if p is not None]
    shift = at[1] - at[0]
    return Measured(
        *names,
        shift_px=shift,
        off_centre=abs((at[0] + at[1]) / 2 - (min(known) + max(known)) / 2) / pairs.width_px,
        off_thirtieth=off_thirtieth(shift, focal or usual_focal_px(pairs.width_px)),
        few_frames=few,
    )


def _measured(
    pairs: Pairs, number: int, base: Measured, decisions: Decisions
) -> tuple[Measured, Mount | None]:
    laid = pairs.laid(number)
    if laid is None or base.shift_px is None:
        return base, None
    asked, viewing = decisions.mounting, decisions.viewing.seen()
    # a point belongs to one view; for the others only the rules can be compared
    window = "auto" if isinstance(asked.window, tuple) else asked.window
    try:
        placed = place(laid, window, asked.aspect_ratio(), allowed_for(viewing))
    except PairError as error:
        return replace(base, problem=error.message), None
    parallax = parallax_of(laid, placed.mount)
    left, _ = pairs.told[number].eyes()
    x, y, width, height = placed.mount.crop_px
    seen = depth(parallax, _grey(pairs.views[left].luma)[y : y + height, x : x + width], viewing)
    if seen.deviation_px is None or seen.deviation_px < _LEAST_RANGE_PX:
        little = "too little depth to be measured on small pictures"
        return replace(base, problem=little, range_px=seen.deviation_px), placed.mount
    met = comfort(seen, Residual(rms=None, p95=None), viewing, width)
    return replace(base, range_px=seen.deviation_px, depth=seen, comfort=met), placed.mount
