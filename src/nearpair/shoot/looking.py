"""Sort, order and eyes: everything that is decided before a frame is merged. Writes nothing but its memo."""

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import cv2
import msgspec
import numpy as np
from numpy.typing import NDArray

from nearpair.errors import FrameError, GoneError, SourceError, UnreadableError
from nearpair.frames.metadata import FrameInfo
from nearpair.pairs.eyes import OrderFound
from nearpair.progress import Progress
from nearpair.proof.model import Eyes, Focus, OrderCue, Registration, SetAside
from nearpair.proof.model import Station as StationReport
from nearpair.proof.model_capture import SpoiltFrame
from nearpair.shoot.decisions import Decisions
from nearpair.shoot.gather import Gathered, gather, reason_of
from nearpair.shoot.memo import key_of
from nearpair.shoot.onesize import of_one_size
from nearpair.shoot.pairing import Paired, Ranked, alone, chosen_by_hand, pair_up
from nearpair.shoot.reading import Reading
from nearpair.shoot.smallviews import reference_of
from nearpair.shoot.surveying import Keeper, stack_key, survey_factor, survey_station
from nearpair.stacks.grouping import Sorted, Station, sort_frames
from nearpair.stacks.regrouping import BY_HAND, regrouped
from nearpair.stacks.survey import Survey

_GLANCE_LONG_SIDE_PX = 400
# Below this total change of magnification (ln) both ends of a stack see the same field.
_SAME_SIZE = 0.002
_GAINED = 1.5


@dataclass(frozen=True, slots=True)
class Member:
    """One station of the pair with all that is known before merging."""

    station: Station
    survey: Survey
    found: OrderFound
    reference: int
    """Number of the reference frame among the survey's used frames."""
    report: StationReport


@dataclass(frozen=True, slots=True)
class Looked:
    """The decisions about a shoot, ready for merging; `pair` is None with a single station."""

    stations: tuple[StationReport, ...]
    pair: tuple[Member, Member] | None
    """Left and right."""
    eyes: Eyes | None
    pair_reason: str
    set_aside: tuple[SetAside, ...]
    notes: tuple[str, ...]
    heard: tuple[tuple[Member, Member], ...] = ()
    """For the left and the right eye the two stations whose agreement on depth it is merged with."""
    ranked: Ranked | None = None
    """All pairs that the stations can make, the best first."""
    files: tuple[tuple[str, ...], ...] = ()
    """Names of the frames of each station, as `moved` in shoot.toml names them."""
    all_files: Mapping[str, Path] = field(default_factory=dict)
    """Every frame that can be read, by that name."""


def look_at(
    decisions: Decisions,
    folders: Sequence[Path],
    reading: Reading,
    keeper: Keeper | None,
    progress: Progress,
    *,
    rank_two: bool = False,
) -> Looked:
    """Gather, sort, survey and decide. Raises SourceError or PairError when the sources hold no shoot.

    Pairs are ranked when there are more than two stations, with rank_two also when there are two.
    """
    gathered = gather(folders, progress)
    sorted_ = _sorted(gathered, reading, keeper, progress)
    named, frames = _names(gathered), [frame for source in gathered.sources for frame in source.frames]
    sorted_ = regrouped(sorted_, decisions.moved, frames, named)
    aside = (*gathered.set_aside, *(SetAside(file=a.file, reason=a.reason) for a in sorted_.set_aside))
    _refuse_if_strict(decisions, [entry for entry in aside if entry.reason != BY_HAND])
    found = _stations(sorted_, aside)
    stations, other_sizes = of_one_size(found, chosen_by_hand(decisions, found))
    _refuse_if_strict(decisions, other_sizes)
    aside = (*aside, *other_sizes, *gathered.doubled)
    surveys = [survey_station(s.name, s.frames, reading, keeper, progress) for s in stations]
    notes = (*sorted_.notes, *_lost_notes(stations, surveys))
    if len(stations) == 1:
        report = _report(stations[0], surveys[0], alone(stations[0], surveys[0], decisions))
        looked = Looked((report,), None, None, "", aside, notes)
    else:
        paired = pair_up(decisions, stations, surveys, keeper, progress, rank_two=rank_two)
        looked = _looked(paired, stations, surveys, aside, notes)
    files = tuple(tuple(named(frame) for frame in station.frames) for station in stations)
    return replace(looked, files=files, all_files={named(frame): frame.path for frame in frames})


def _names(gathered: Gathered) -> Callable[[FrameInfo], str]:
    """How frames are named: by their file, with its folder where several are called alike."""
    folders = {frame.path: source.folder for source in gathered.sources for frame in source.frames}
    count = Counter(path.name for path in folders)

    def named(frame: FrameInfo) -> str:
        name = frame.path.name
        return name if count[name] == 1 else f"{folders[frame.path].absolute().name}/{name}"

    return named


def _looked(
    paired: Paired,
    stations: Sequence[Station],
    surveys: Sequence[Survey],
    aside: tuple[SetAside, ...],
    notes: tuple[str, ...],
) -> Looked:
    reports = tuple(_report(*each) for each in zip(stations, surveys, paired.orders, strict=True))

    members = [
        Member(station, survey, found, _reference(survey, found), report)
        for station, survey, found, report in zip(stations, surveys, paired.orders, reports, strict=True)
    ]
    return Looked(
        reports,
        (members[paired.left], members[paired.right]),
        paired.eyes,
        paired.reason,
        aside,
        (*notes, *_left_out(paired, stations), *paired.passed_over),
        tuple((members[one], members[other]) for one, other in paired.heard),
        paired.ranked,
    )


def _left_out(paired: Paired, stations: Sequence[Station]) -> list[str]:
    """Stations that fit no other one."""
    if paired.ranked is None or len(stations) == 2:
        return []
    return [
        f"{station.name} shares too few points with the other stations and was left out of the choice "
        f"({station.held()})."
        for station, at in zip(stations, paired.ranked.pairs.positions_px, strict=True)
        if at is None
    ]


def _plain(value: Any) -> Any:
    if isinstance(value, Path):
        return str(value)
    raise TypeError(f"{type(value)} cannot be kept")


def _path(kind: type, value: Any) -> Any:
    return kind(value)


def _sorted(gathered: Gathered, reading: Reading, keeper: Keeper | None, progress: Progress) -> Sorted:
    """Sort the frames, or take what an earlier run found for the same files."""
    if keeper is None:
        return _sort(gathered, reading, progress)[0]
    key = key_of([[str(s.folder.absolute()), stack_key(s.frames)] for s in gathered.sources])
    recalled = keeper.memo.recall("sort", key, [])
    if recalled is not None:
        return msgspec.json.decode(recalled, type=Sorted, dec_hook=_path)
    found, for_good = _sort(gathered, reading, progress)
    if not for_good:
        return found
    keeper.memo.record("sort", key, [], msgspec.json.encode(found, enc_hook=_plain))
    return found


def _sort(gathered: Gathered, reading: Reading, progress: Progress) -> tuple[Sorted, bool]:
    """Sort the frames; also whether that holds for good: not if the system kept a frame from being read."""
    kept_back: list[FrameInfo] = []

    def glance(frame: FrameInfo) -> NDArray[np.uint8]:
        try:
            plane = reading.small(frame, survey_factor(frame.size_px))
        except GoneError:
            raise
        except FrameError as error:
            if isinstance(error, UnreadableError):
                kept_back.append(frame)
            raise FrameError(reason_of(frame.path, error), "") from error
        step = max(1, -(-max(plane.shape) // _GLANCE_LONG_SIDE_PX))
        size = (max(1, plane.shape[1] // step), max(1, plane.shape[0] // step))
        return np.asarray(cv2.resize(plane, size, interpolation=cv2.INTER_AREA), np.uint8)

    named = [(source.folder.absolute().name, source.frames) for source in gathered.sources]
    return sort_frames(named, glance, progress), not kept_back


def _refuse_if_strict(decisions: Decisions, aside: Sequence[SetAside]) -> None:
    if decisions.strict and aside:
        message = f"{aside[0].file} would be set aside: {aside[0].reason}"
        raise SourceError(message, "Without --strict the job goes on without it and says so in the proof.")


def _stations(sorted_: Sorted, aside: Sequence[SetAside]) -> tuple[Station, ...]:
    stations = tuple(station for station in sorted_.stations if station.frames)
    if not stations:
        reason = f" {aside[0].file} was set aside: {aside[0].reason}" if aside else ""
        message = f"No station with usable frames was found.{reason}"
        raise SourceError(message, "Check that the folders hold the frames of one shoot.")
    return stations


def _lost_notes(stations: Sequence[Station], surveys: Sequence[Survey]) -> list[str]:
    return [
        f"{station.name}: {station.frames[lost.frame].path.name} could not be registered on its neighbours "
        f"(likeness {lost.correlation:.2f}) and was left out of the view."
        for station, survey in zip(stations, surveys, strict=True)
        for lost in survey.lost
    ]


def _reference(survey: Survey, found: OrderFound) -> int:
    """The same physical end in every stack: the one that sees least, else the near one."""
    if found.order is None or abs(sum(step.ln_scale for step in survey.steps)) > _SAME_SIZE:
        return reference_of(survey)
    return len(survey.used) - 1 if found.order == "far-to-near" else 0


def _report(station: Station, survey: Survey, found: OrderFound) -> StationReport:
    names = [frame.path.name for frame in station.frames]
    return StationReport(
        name=station.name,
        frames=names,
        order=found.order or "unknown",
        kind=found.kind,
        order_confidence=found.confidence,
        order_evidence=[OrderCue(cue=c.cue, says=c.says, weight=c.weight) for c in found.evidence],
        reference_frame=survey.used[_reference(survey, found)],
        registration=_registration(station, survey),
        focus=_focus(survey),
        spoilt=_spoilt(survey),
    )


def _spoilt(survey: Survey) -> list[SpoiltFrame]:
    return [
        SpoiltFrame(
            frame=fault.frame,
            kind="shaken" if fault.kind == "shaken" else "repeated",
            detail_left=fault.detail_left,
            direction_deg=fault.direction_deg,
        )
        for fault in survey.spoilt
    ]


def _registration(station: Station, survey: Survey) -> Registration:
    """Largest amounts by which frames were moved, in px of the full frames."""
    if not survey.steps:
        return Registration()
    factor = survey_factor(station.frames[0].size_px)
    moved = np.cumsum([step.shift_px for step in survey.steps], axis=0) * factor
    roll = np.cumsum([step.roll_deg for step in survey.steps])
    return Registration(
        scale_total=math.exp(-sum(step.ln_scale for step in survey.steps)),
        shift_px_max=float(np.max(np.hypot(moved[:, 0], moved[:, 1]))),
        roll_deg_max=float(np.max(np.abs(roll))),
        set_aside_frames=[station.frames[lost.frame].path.name for lost in survey.lost],
    )


def _focus(survey: Survey) -> Focus:
    """A first account of what the stack covers, before it is merged."""
    count = len(survey.used)
    known = survey.contrast > _GAINED
    if count < 3 or not known.any():
        return Focus(covered_fraction=0.0)
    index = survey.index[known]
    share = np.bincount(index.astype(np.int64), minlength=count) / index.size
    return Focus(
        covered_fraction=float(1.0 - share[0] - share[-1]), share_per_frame=[float(s) for s in share]
    )
