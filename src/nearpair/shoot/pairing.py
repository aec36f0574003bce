"""Which two stations make the pair, and which of them is the left eye."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import msgspec
import numpy as np
from numpy.typing import NDArray

from nearpair.errors import PairError, SourceError
from nearpair.frames.metadata import FrameInfo
from nearpair.pairs.choice import Choice, choose
from nearpair.pairs.evidence import SmallView, compare
from nearpair.pairs.eyes import EyesFound, OrderFound, StackEvidence, decide
from nearpair.pairs.matches import match
from nearpair.pairs.rectify import NotRectified
from nearpair.pixels.luma import Plane, reduced
from nearpair.progress import Progress
from nearpair.proof.model import EyeCue, Eyes
from nearpair.shoot.decisions import Decisions
from nearpair.shoot.memo import key_of
from nearpair.shoot.surveying import Keeper, stack_key, survey_factor
from nearpair.stacks.grouping import Station
from nearpair.stacks.registration import placed, reference_end
from nearpair.stacks.survey import Survey

_EVIDENCE_LONG_SIDE_PX = 800
_FEWEST_MATCHES = 24
_BY_HAND = 12.0
_SURE = 0.8


@dataclass(frozen=True, slots=True)
class Paired:
    """The two stations by number in the shoot, who is left, and the orders of all stations."""

    left: int
    right: int
    reason: str
    eyes: Eyes
    orders: tuple[OrderFound, ...]


class _Kept(msgspec.Struct, frozen=True):
    choice: Choice
    found: EyesFound


def pair_up(
    decisions: Decisions,
    stations: Sequence[Station],
    surveys: Sequence[Survey],
    keeper: Keeper | None,
    progress: Progress,
) -> Paired:
    """Choose the pair and tell its eyes apart. Raises PairError when the stations do not belong together."""
    left, right = (_station_named(name, stations) for name in (decisions.left, decisions.right))
    if left is not None and left == right:
        message = f"{stations[left].name} was given for both eyes; a pair needs two stations."
        raise SourceError(message, "Name two different stations, or only one of them.")
    stacks = [_evidence(s, v, decisions) for s, v in zip(stations, surveys, strict=True)]
    key = key_of([stack_key(s.frames) for s in stations], stacks, left, right)
    recalled = keeper.memo.recall("eyes", key, []) if keeper else None
    if recalled is not None:
        kept = msgspec.json.decode(recalled, type=_Kept)
    else:
        kept = _compared(stations, surveys, stacks, (left, right), progress)
        if keeper:
            keeper.memo.record("eyes", key, [], msgspec.json.encode(kept))
    pair = (kept.choice.first, kept.choice.second)
    names = (stations[pair[0]].name, stations[pair[1]].name)
    eyes, first_is_left = _eyes(kept.found, names, _first_given(pair, left, right))
    ordered = pair if first_is_left else pair[::-1]
    return Paired(*ordered, kept.choice.reason, eyes, tuple(_all_orders(stacks, pair, kept.found)))


def alone(station: Station, survey: Survey, decisions: Decisions) -> OrderFound:
    """What can be said of the order of a single stack."""
    stack = _evidence(station, survey, decisions)
    return decide((stack, stack), None).orders[0]


def reference_of(survey: Survey) -> int:
    """The end of a stack that sees the smaller field, among its used frames."""
    return reference_end(survey.steps) if survey.steps else 0


def _compared(
    stations: Sequence[Station],
    surveys: Sequence[Survey],
    stacks: Sequence[StackEvidence],
    given: tuple[int | None, int | None],
    progress: Progress,
) -> _Kept:
    views = [_small_view(survey, s.frames[0].size_px) for s, survey in zip(stations, surveys, strict=True)]
    choice = _choice(stations, views, given, progress)
    i, j = choice.first, choice.second
    names = (stations[i].name, stations[j].name)
    progress("comparing the stations", 0, 1)
    compared = compare(views[i], views[j], names)
    if isinstance(compared.rows, NotRectified):
        message = f"{names[0]} and {names[1]} cannot be made a pair: {compared.rows.reason}."
        raise PairError(message, "Check that both stations show the same subject from beside each other.")
    found = decide((stacks[i], stacks[j]), compared.evidence)
    progress("comparing the stations", 1, 1)
    return _Kept(choice, found)


def _station_named(given: str, stations: Sequence[Station]) -> int | None:
    """Number of the station that was named by hand, or by the folder that holds its frames."""
    if not given:
        return None
    for k, station in enumerate(stations):
        if station.name == given:
            return k
    wanted = Path(given).absolute()
    for k, station in enumerate(stations):
        if all(wanted in frame.path.absolute().parents for frame in station.frames):
            return k
    listed = ", ".join(station.name for station in stations)
    message = f"There is no station {given!r} in this shoot; it has {listed}."
    raise SourceError(message, "Give one of these names, or the folder that holds the station's frames.")


def _small_view(survey: Survey, size_px: tuple[int, int]) -> SmallView:
    """The survey's picture at the reference end, at the size that evidence is read from."""
    size = (survey.sharp.shape[0], survey.sharp.shape[1])
    to_end = placed(survey.steps, "ring", reference_of(survey), size)[0]
    factor = max(1, -(-max(size) // _EVIDENCE_LONG_SIDE_PX))
    full_px = float(factor * survey_factor(size_px))
    sharp = _warp(survey.sharp, to_end.matrix(), cv2.INTER_CUBIC, cv2.BORDER_REPLICATE)
    if len(survey.used) < 2:
        return SmallView(reduced(sharp, factor), None, 1, full_px)
    shrink = survey.index.shape[0] / survey.sharp.shape[0]
    index = _warp(survey.index, to_end.resampled(shrink).matrix(), cv2.INTER_NEAREST, cv2.BORDER_CONSTANT)
    return SmallView(reduced(sharp, factor), index, len(survey.used), full_px)


def _warp(plane: Plane, matrix: NDArray[np.float64], flags: int, border: int) -> Plane:
    size = (plane.shape[1], plane.shape[0])
    return np.asarray(
        cv2.warpAffine(plane, matrix, size, flags=flags, borderMode=border, borderValue=-1), np.float32
    )


def _choice(
    stations: Sequence[Station],
    views: Sequence[SmallView],
    given: tuple[int | None, int | None],
    progress: Progress,
) -> Choice:
    """Which two stations make the pair, and why."""
    if len(stations) == 2:
        return Choice(0, 1, "the shoot has two stations")
    left, right = given
    if left is not None and right is not None:
        return Choice(min(left, right), max(left, right), "both were given by hand")
    positions = _positions(stations, views, progress)
    open_to = _open_to(positions, left, right)
    width = views[0].luma.shape[1]
    must = left if left is not None else right
    choice = choose(
        [positions[k] for k in open_to],
        width,
        focal_px(stations[0].frames[0], width),
        None if must is None else open_to.index(must),
    )
    first, second = open_to[choice.first], open_to[choice.second]
    names = f"{stations[first].name} and {stations[second].name}"
    return Choice(first, second, f"{names} of {len(stations)} stations: {choice.reason}")


def _positions(stations: Sequence[Station], views: Sequence[SmallView], progress: Progress) -> list[float]:
    """Sideways position of each station as the shift of its picture (px), to the right."""
    positions = [0.0]
    for k in range(1, len(stations)):
        progress("measuring the bases between stations", k, len(stations))
        found = match(views[k - 1].luma, views[k].luma)
        if len(found) < _FEWEST_MATCHES:
            message = f"{stations[k - 1].name} and {stations[k].name} share too few points to be compared."
            raise PairError(message, "Name the pair with --left and --right.")
        positions.append(positions[-1] + float(np.median(found.first[:, 0] - found.second[:, 0])))
    return positions


def _open_to(positions: Sequence[float], left: int | None, right: int | None) -> list[int]:
    """Stations to choose from: with one eye given, it and those on its other side, if there are any."""
    everyone = list(range(len(positions)))
    if left is not None:
        beside = [k for k in everyone if positions[k] > positions[left]]
        return sorted([left, *beside]) if beside else everyone
    if right is not None:
        beside = [k for k in everyone if positions[k] < positions[right]]
        return sorted([right, *beside]) if beside else everyone
    return everyone


def focal_px(frame: FrameInfo, width: int) -> float | None:
    """Focal length in px of a picture `width` px wide, from the 35 mm equivalent (36 mm wide frame)."""
    return None if not frame.focal_length_35mm else frame.focal_length_35mm / 36.0 * width


def _evidence(station: Station, survey: Survey, decisions: Decisions) -> StackEvidence:
    own = next((s for s in decisions.stations if s.name == station.name), None)
    return StackEvidence(
        station.name,
        len(survey.used),
        -sum(step.ln_scale for step in survey.steps),
        survey.dilation.log_odds_rail if survey.dilation else 0.0,
        _distance_trend([station.frames[k] for k in survey.used]),
        own.order if own and own.order != "auto" else None,
        own.kind if own and own.kind != "auto" else None,
    )


def _distance_trend(frames: Sequence[FrameInfo]) -> float:
    """How surely recorded focus distances grow (1) or shrink (−1) along the stack; 0: they do not say."""
    known = [(k, f.focus_distance_mm) for k, f in enumerate(frames) if f.focus_distance_mm]
    if len(known) < 3 or len(known) < len(frames) // 2:
        return 0.0
    at, distance = np.array(known, dtype=np.float64).T
    return 0.0 if np.ptp(distance) == 0 else -float(np.corrcoef(at, 1 / distance)[0, 1])


def _all_orders(stacks: Sequence[StackEvidence], pair: tuple[int, int], found: EyesFound) -> list[OrderFound]:
    """Orders of all stations; those outside the pair are judged by the way focus was moved in the pair."""
    kind = next((order.kind for order in found.orders if order.kind != "single"), None)
    orders = []
    for k, stack in enumerate(stacks):
        if k in pair:
            orders.append(found.orders[pair.index(k)])
        else:
            known = replace(stack, given_kind=stack.given_kind or kind)
            orders.append(decide((known, known), None).orders[0])
    return orders


def _first_given(pair: tuple[int, int], left: int | None, right: int | None) -> bool | None:
    """Whether the first of the pair was given as the left eye; None when nothing was given."""
    if left in pair:
        return left == pair[0]
    if right in pair:
        return right == pair[1]
    return None


def _eyes(found: EyesFound, names: tuple[str, str], given: bool | None) -> tuple[Eyes, bool]:
    """The report on the eyes, and whether the first station is the left one."""
    cues = [EyeCue(cue=c.cue, left=c.says, weight=c.weight, detail=c.detail) for c in found.evidence]
    first_is_left = found.first_is_left if given is None else given
    one, other = names if first_is_left else names[::-1]
    contradiction = found.contradiction
    if given is not None:
        cues.insert(0, EyeCue(cue="given by hand", left=one, weight=_BY_HAND))
        against = first_is_left != found.first_is_left and found.confidence > _SURE
        says = f"{one} was given as the left eye, but the pictures say it is {other}"
        contradiction = f"{says} ({found.confidence:.0%} sure)" if against else None
    confidence = found.confidence if given is None else 1.0
    eyes = Eyes(left=one, right=other, confidence=confidence, evidence=cues, contradiction=contradiction)
    return eyes, first_is_left
