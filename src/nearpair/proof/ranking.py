"""Which of the pairs that several stations can make is the best to look at, and what base to shoot next time.

Each pair is judged like a mounted one: by its parallax under the viewing conditions against the limits of
comfort (`proof.comfort`) and by its depth (`proof.depth`). The best pair gives depth enough with the
narrowest base: a third of what is comfortable, 40 arcmin where that is one degree either side of the window.
More depth than that is no gain to the viewer, but hides more of the subject from one eye and leaves less room
for a larger screen (a choice of this project). If no comfortable pair gives that much, the deepest
comfortable one is best; if none is comfortable, the shallowest. Depths within 15 % of each other count as
equal: then the pair nearest to the middle of the stations is taken, which sees the subject from the front.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from nearpair.proof.model_look import Comfort, Depth
from nearpair.proof.model_pairs import Candidate, CandidateVerdict, NextBase
from nearpair.proof.phrases import percent

ENOUGH_SHARE = 1 / 3
SAME_DEPTH = 0.15
_REAIMED = 1.4
"""Depth per sideways shift differs by this factor: cameras were turned, so shifts do not tell bases."""


@dataclass(frozen=True, slots=True)
class Measured:
    """What small pictures say of one pair of stations; nothing but names if they could not be compared.

    shift_px, range_px: sideways shift of the whole picture and depth from near to far, in px of one small
    picture. off_centre: how far the middle of the pair is from that of all stations, in any unit.
    off_thirtieth: how far the base is from one thirtieth of the distance, as a ratio's logarithm; inf where
    that is not known. few_frames: what is wrong with a station that has few frames, or "". problem: why the
    pair could not be compared or measured, or "".
    """

    left: str
    right: str
    shift_px: float | None = None
    range_px: float | None = None
    off_centre: float = 0.0
    off_thirtieth: float = math.inf
    depth: Depth | None = None
    comfort: Comfort | None = None
    few_frames: str = ""
    problem: str = ""


def comfortable_range_arcmin(comfort: Comfort) -> float:
    """What is comfortable from near to far: one degree either side, less where eyes would diverge."""
    degree, divergence = comfort.limits["one-degree"], comfort.limits["no-divergence"]
    far = min(limit.far_arcmin for limit in (degree, divergence) if limit.far_arcmin is not None)
    return far - (degree.near_arcmin or 0.0)


def ranked(measured: Sequence[Measured]) -> list[tuple[Measured, Candidate]]:
    """All pairs, the best first; those that do not fit together come last, however many frames they have."""
    shares = _base_shares(measured)
    judged = [(each, _judged(each, share)) for each, share in zip(measured, shares, strict=True)]
    best_first: list[tuple[Measured, Candidate]] = []
    classes = [(few, *order) for few in (False, True) for order in _ORDER]
    for few, verdict, sign in sorted(classes, key=lambda each: each[1] == "not comparable"):
        group = [x for x in judged if bool(x[0].few_frames) == few and _class(x) == verdict]
        best_first += _in_order(group, sign)
    return best_first


_ORDER: tuple[tuple[CandidateVerdict, int], ...] = (
    ("comfortable", 1),
    ("little depth", -1),
    ("deep", 1),
    ("too deep", 1),
    ("not measured", 0),
    ("not comparable", 0),
)
"""Classes, the best first, and whether less depth is better (1) or more (-1)."""


def _class(judged: tuple[Measured, Candidate]) -> CandidateVerdict:
    """The verdict, few frames aside."""
    return _verdict(judged[0])


def _in_order(group: list[tuple[Measured, Candidate]], sign: int) -> list[tuple[Measured, Candidate]]:
    """One class, the best first: by depth, and those as deep as the best of the rest by their place."""
    if sign == 0:
        return sorted(group, key=lambda x: (round(min(x[0].off_thirtieth, 99) / 0.12), x[0].off_centre))
    ordered: list[tuple[Measured, Candidate]] = []
    rest = sorted(group, key=lambda x: sign * (x[1].used_share or 0.0))
    while rest:
        first = rest[0][1].used_share or 0.0
        equal = [x for x in rest if abs(math.log((x[1].used_share or 0.0) / first)) < SAME_DEPTH]
        ordered += sorted(equal, key=lambda x: x[0].off_centre)
        rest = [x for x in rest if x not in equal]
    return ordered


def _verdict(measured: Measured) -> CandidateVerdict:
    if measured.shift_px is None:
        return "not comparable"
    if measured.problem or measured.comfort is None or measured.depth is None:
        return "not measured"
    seen = measured.comfort
    if seen.within:
        return "comfortable" if _used(measured) >= ENOUGH_SHARE else "little depth"
    outer = seen.limits["zone-of-comfort"].within and seen.limits["no-divergence"].within
    return "deep" if outer else "too deep"


def _used(measured: Measured) -> float:
    if measured.comfort is None or measured.depth is None:
        return 0.0
    return (measured.depth.relief.range_arcmin or 0.0) / comfortable_range_arcmin(measured.comfort)


def _judged(measured: Measured, base_share: float | None) -> Candidate:
    verdict = _verdict(measured)
    known = verdict not in ("not comparable", "not measured")
    depth, seen = (measured.depth, measured.comfort) if known else (None, None)
    said = _SAYS[verdict](measured)
    return Candidate(
        left=measured.left,
        right=measured.right,
        base_share=base_share,
        near_arcmin=seen.near_arcmin if seen else None,
        far_arcmin=seen.far_arcmin if seen else None,
        range_arcmin=depth.relief.range_arcmin if depth else None,
        used_share=_used(measured) if known else None,
        relief=depth.relief.score if depth else None,
        verdict="few frames" if measured.few_frames else verdict,
        reason=f"{measured.few_frames}; {said}" if measured.few_frames else said,
    )


def _share(measured: Measured) -> str:
    return f"uses {percent(_used(measured), 0)} of the depth that is comfortable"


_SAYS: dict[CandidateVerdict, Callable[[Measured], str]] = {
    "comfortable": _share,
    "little depth": _share,
    "deep": lambda x: f"{_share(x)}: more than one degree in front of or behind the window",
    "too deep": lambda x: f"{_share(x)}: beyond the zone of comfort, or eyes would have to turn outwards",
    "not measured": lambda x: x.problem or "its depth could not be measured",
    "not comparable": lambda x: x.problem or "the two share too few points",
}


def choice_reason(best: Candidate) -> str:
    """Why the first of the ranked pairs is best, as the end of a sentence; "" where depth does not tell."""
    return {
        "comfortable": "the narrowest base that gives enough depth, comfortable to look at",
        "little depth": "none gives much depth and stays comfortable; this one gives the most",
        "deep": "all are deeper than is comfortable; this one is the least so",
        "too deep": "all are deeper than is comfortable; this one is the least so",
        "few frames": "every pair that fits together has a station with few frames",
    }.get(best.verdict, "")


def _base_shares(measured: Sequence[Measured]) -> list[float | None]:
    """Each base against the widest: by the shift of the picture, or by depth where cameras were turned."""
    shifts = [None if x.shift_px is None else abs(x.shift_px) for x in measured]
    depths = [None if x.problem else x.range_px for x in measured]
    per_px = [d / s for s, d in zip(shifts, depths, strict=True) if s and d]
    lengths = depths if per_px and max(per_px) > _REAIMED * min(per_px) else shifts
    widest = max((length for length in lengths if length), default=None)
    return [None if length is None or widest is None else length / widest for length in lengths]


def held_against(
    found: NextBase | None, candidates: Sequence[Candidate], range_arcmin: float | None
) -> NextBase | None:
    """Bases for next time by the depth of the finished pair (arcmin) in place of that of small pictures."""
    small = next((c.range_arcmin for c in candidates if c.chosen), None)
    if found is None or not small or not range_arcmin:
        return found
    scale = small / range_arcmin
    lengths = {name: getattr(found, name) for name in ("enough_mm", "fills_mm")}
    return NextBase(
        enough=found.enough * scale,
        fills=found.fills * scale,
        of_widest=found.of_widest * scale,
        of_narrowest=found.of_narrowest * scale,
        **{name: None if length is None else length * scale for name, length in lengths.items()},
    )


def next_base(candidates: Sequence[Candidate], base_mm: float | None = None) -> NextBase | None:
    """What to shoot next time, from the measured pairs; None with fewer than three whole ones.

    base_mm: the base of the chosen pair. Depth grows in proportion to the base (parallel axes), so each pair
    tells the base that fills what is comfortable; their median counts.
    """
    whole = [c for c in candidates if c.verdict != "few frames" and c.base_share]
    told = [(c.base_share, c.used_share) for c in whole if c.base_share and c.used_share]
    chosen = next((c.base_share for c in candidates if c.chosen and c.used_share), None)
    if len(told) < 3 or not chosen:
        return None
    filling = float(np.median([base / used for base, used in told]))
    bases = [c.base_share for c in whole if c.base_share]
    fills, enough = filling / chosen, ENOUGH_SHARE * filling / chosen
    return NextBase(
        enough=enough,
        fills=fills,
        of_widest=filling / max(bases),
        of_narrowest=filling / min(bases),
        enough_mm=None if base_mm is None else enough * base_mm,
        fills_mm=None if base_mm is None else fills * base_mm,
    )
