"""Which two stations make the pair, and which of them is the left eye."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec

from nearpair.errors import PairError, SourceError
from nearpair.pairs.choice import Choice, choose
from nearpair.pairs.evidence import compare
from nearpair.pairs.eyes import EyesFound, OrderFound, StackEvidence, decide
from nearpair.pairs.rectify import NotRectified
from nearpair.progress import Progress
from nearpair.proof.model import EyeCue, Eyes
from nearpair.proof.model_pairs import Candidate
from nearpair.proof.ranking import choice_reason
from nearpair.shoot.candidates import Pairs, look_at_pairs
from nearpair.shoot.companions import Companions
from nearpair.shoot.decisions import Decisions
from nearpair.shoot.judging import Judged, judge
from nearpair.shoot.memo import key_of
from nearpair.shoot.smallviews import focal_px, small_view, stack_evidence
from nearpair.shoot.surveying import Keeper, stack_key
from nearpair.stacks.grouping import Station
from nearpair.stacks.survey import Survey

_BY_HAND = 12.0
_SURE = 0.8
_NO_PAIR = (
    "Check that both stations show the same subject from beside each other, and take frames that do not "
    "belong to the shoot out of its folders."
)


@dataclass(frozen=True, slots=True, eq=False)
class Ranked:
    """All pairs of the shoot and what was measured of them, the best first."""

    pairs: Pairs
    judged: tuple[Judged, ...]

    def candidates(self, eyes: Eyes, base_mm: float | None = None) -> list[Candidate]:
        """All pairs in the same order, that of `eyes` marked as chosen. base_mm: its base, if known."""
        listed = [msgspec.structs.replace(j.candidate, chosen=_is_of(j.candidate, eyes)) for j in self.judged]
        share = next((c.base_share for c in listed if c.chosen), None)
        if base_mm is None or not share:
            return listed
        return [
            msgspec.structs.replace(
                c, base_mm=None if c.base_share is None else c.base_share / share * base_mm
            )
            for c in listed
        ]


def _is_of(candidate: Candidate, eyes: Eyes) -> bool:
    return {candidate.left, candidate.right} == {eyes.left, eyes.right}


@dataclass(frozen=True, slots=True)
class Paired:
    """The two stations by number in the shoot, who is left, and the orders of all stations.

    heard: for the left and the right station the pair (left, right) whose agreement on depth counts for it.
    passed_over: better pairs that could not be used, and why.
    """

    left: int
    right: int
    reason: str
    eyes: Eyes
    orders: tuple[OrderFound, ...]
    heard: tuple[tuple[int, int], tuple[int, int]]
    ranked: Ranked | None
    passed_over: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Given:
    """Stations that were named by hand, by number."""

    left: int | None
    right: int | None
    pair: tuple[int, int] | None


def pair_up(
    decisions: Decisions,
    stations: Sequence[Station],
    surveys: Sequence[Survey],
    keeper: Keeper | None,
    progress: Progress,
    *,
    rank_two: bool = False,
) -> Paired:
    """Choose the pair and tell its eyes apart. Raises PairError when the stations do not belong together.

    Pairs are ranked when there are more than two stations, with rank_two also when there are two.
    """
    given = _given(decisions, stations)
    stacks = [stack_evidence(s, v, decisions) for s, v in zip(stations, surveys, strict=True)]
    ranked = None
    if len(stations) > 2 or rank_two:
        pairs = look_at_pairs(stations, surveys, stacks, keeper, progress)
        focal = focal_px(stations[0].frames[0], pairs.width_px)
        ranked = Ranked(pairs, tuple(judge(pairs, stations, focal, decisions)))
    choices = _choices(stations, ranked, given)
    choice, found, passed = _first_that_fits(
        choices, stations, lambda pair: _eyes_found(pair, stations, surveys, stacks, keeper, progress)
    )
    pair = (choice.first, choice.second)
    names = (stations[pair[0]].name, stations[pair[1]].name)
    eyes, first_is_left = _eyes(found, names, _first_given(pair, given.left, given.right))
    ordered = pair if first_is_left else pair[::-1]
    seen = pair if found.first_is_left else pair[::-1]
    if ranked is None or len(stations) == 2:
        return Paired(*ordered, choice.reason, eyes, found.orders, (seen, seen), ranked, passed)
    beside = Companions(ranked.pairs, focal_px(stations[0].frames[0], ranked.pairs.width_px))
    heard = (beside.heard(ordered[0], seen), beside.heard(ordered[1], seen))
    return Paired(*ordered, choice.reason, eyes, tuple(beside.orders(stacks)), heard, ranked, passed)


def alone(station: Station, survey: Survey, decisions: Decisions) -> OrderFound:
    """What can be said of the order of a single stack."""
    stack = stack_evidence(station, survey, decisions)
    return decide((stack, stack), None).orders[0]


def chosen_by_hand(decisions: Decisions, stations: Sequence[Station]) -> set[str]:
    """Names of the stations that were given for an eye or for the pair."""
    given = (decisions.left, decisions.right, *decisions.pair)
    return {station.name for station in stations for name in given if name and _is_named(station, name)}


def _given(decisions: Decisions, stations: Sequence[Station]) -> _Given:
    left, right = (_station_named(name, stations) for name in (decisions.left, decisions.right))
    if left is not None and left == right:
        message = f"{stations[left].name} was given for both eyes; a pair needs two stations."
        raise SourceError(message, "Name two different stations, or only one of them.")
    if not decisions.pair:
        return _Given(left, right, None)
    one, other = (_station_named(name, stations) for name in decisions.pair)
    if one is None or other is None or one == other:
        message = f"The pair was given as {' and '.join(decisions.pair)}; a pair needs two stations."
        raise SourceError(message, "Name two different stations with --pair.")
    for eye, station in (("left", left), ("right", right)):
        if station is not None and station not in (one, other):
            message = (
                f"{stations[station].name} was given as the {eye} eye, but the pair was given as "
                f"{stations[one].name} and {stations[other].name}."
            )
            raise SourceError(message, "Give --pair too, or empty `left`, `right` or `pair` in shoot.toml.")
    return _Given(left, right, (min(one, other), max(one, other)))


def _station_named(given: str, stations: Sequence[Station]) -> int | None:
    """Number of the station that was named by hand, or by the folder that holds its frames."""
    if not given:
        return None
    named = [k for k, station in enumerate(stations) if _is_named(station, given)]
    if named:
        return min(named, key=lambda k: stations[k].name != given)
    listed = ", ".join(station.name for station in stations)
    message = f"There is no station {given!r} in this shoot; it has {listed}."
    raise SourceError(message, "Give one of these names, or the folder that holds the station's frames.")


def _is_named(station: Station, given: str) -> bool:
    wanted = Path(given).absolute()
    return station.name == given or all(wanted in f.path.absolute().parents for f in station.frames)


def _choices(stations: Sequence[Station], ranked: Ranked | None, given: _Given) -> Iterator[Choice]:
    """Which two stations make the pair, and why; further ones in case that these do not fit together."""
    left, right = given.left, given.right
    if ranked is None or len(stations) == 2:
        yield Choice(0, 1, "the shoot has two stations")
    elif left is not None and right is not None:
        yield Choice(min(left, right), max(left, right), "both were given by hand")
    elif given.pair is not None:
        yield _spoken(stations, given.pair, "chosen by hand")
    else:
        for number, judged in enumerate(_best_first(ranked.judged, left, right)):
            first, second = sorted(judged.stations)
            why = choice_reason(judged.candidate) or _by_thirtieth(ranked, stations, (first, second))
            passed = "better ones could not be used, see the notes" if number else why
            yield _spoken(stations, (first, second), passed)


def _spoken(stations: Sequence[Station], pair: tuple[int, int], reason: str) -> Choice:
    names = f"{stations[pair[0]].name} and {stations[pair[1]].name}"
    return Choice(*pair, f"{names} of {len(stations)} stations: {reason}")


def _best_first(judged: Sequence[Judged], left: int | None, right: int | None) -> list[Judged]:
    """The best pair, then those to fall back on.

    With one eye given, the best that has it as that eye comes first, then the others that have it at all.
    """
    as_given = [j for j in judged if (j.stations[0] == left if left is not None else j.stations[1] == right)]
    with_it = [j for j in judged if left in j.stations or right in j.stations]
    ordered = list(judged) if left is None and right is None else [*as_given, *with_it] or list(judged)
    return list(dict.fromkeys(ordered))


def _first_that_fits(
    choices: Iterator[Choice],
    stations: Sequence[Station],
    look: Callable[[tuple[int, int]], EyesFound],
) -> tuple[Choice, EyesFound, tuple[str, ...]]:
    """The first choice that can be made a pair, what its eyes are, and why better ones were passed over."""
    refused: list[PairError] = []
    for choice in choices:
        try:
            found = look((choice.first, choice.second))
        except PairError as error:
            refused.append(error)
        else:
            return choice, found, tuple(error.message for error in refused)
    single = all(len(station.frames) == 1 for station in stations)
    if len(refused) < 2 or not single:
        raise refused[0]
    message = f"No focus stack was found here, only {len(stations)} single pictures, no two of one subject."
    raise PairError(f"{message} For instance: {refused[0].message}", refused[0].remedy)


def _by_thirtieth(ranked: Ranked, stations: Sequence[Station], pair: tuple[int, int]) -> str:
    """Why the pair was chosen where its depth could not be measured."""
    at = [p for k in pair if (p := ranked.pairs.positions_px[k]) is not None]
    if len(at) < 2:
        return "no two stations could be compared"
    width = ranked.pairs.width_px
    return choose(at, width, focal_px(stations[0].frames[0], width)).reason


def _eyes_found(
    pair: tuple[int, int],
    stations: Sequence[Station],
    surveys: Sequence[Survey],
    stacks: Sequence[StackEvidence],
    keeper: Keeper | None,
    progress: Progress,
) -> EyesFound:
    """Weigh all evidence about a pair, or take what an earlier run found."""
    i, j = pair
    names = (stations[i].name, stations[j].name)
    stage = f"eyes of {names[0]} and {names[1]}"
    key = key_of([stack_key(stations[k].frames) for k in pair], [stacks[k] for k in pair])
    recalled = keeper.memo.recall(stage, key, []) if keeper else None
    if recalled is not None:
        return msgspec.json.decode(recalled, type=EyesFound)
    progress("comparing the stations", 0, 1)
    views = [small_view(surveys[k], stations[k].frames[0].size_px) for k in pair]
    compared = compare(views[0], views[1], names)
    if isinstance(compared.rows, NotRectified):
        held = f"{stations[i].held()}; {stations[j].held()}"
        message = f"{names[0]} and {names[1]} cannot be made a pair: {compared.rows.reason} ({held})."
        raise PairError(message, _NO_PAIR)
    found = decide((stacks[i], stacks[j]), compared.evidence)
    progress("comparing the stations", 1, 1)
    if keeper:
        keeper.memo.record(stage, key, [], msgspec.json.encode(found))
    return found


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
