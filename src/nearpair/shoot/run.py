"""The whole job in its order: sort, merge, mount, export, proof. What did not change is not done again."""

from collections.abc import Sequence
from contextlib import closing
from dataclasses import dataclass
from functools import cache
from hashlib import blake2b
from pathlib import Path
from typing import TypeVar

import msgspec

import nearpair
from nearpair.errors import PairError, ShootError, SourceError
from nearpair.frames.listing import SHOOT_FILE
from nearpair.progress import Progress, silent
from nearpair.proof.model import Eyes, Metric, Proof, SetAside, Station
from nearpair.proof.model_pairs import Candidate, NextBase
from nearpair.proof.model_retouch import Retouched
from nearpair.proof.ranking import next_base
from nearpair.shoot.agreeing import Agreement
from nearpair.shoot.contactsheet import SHEET, write_sheet
from nearpair.shoot.deciding import NOTHING, Overrides, with_overrides
from nearpair.shoot.decisions import Decisions, load, save
from nearpair.shoot.developing import developed_frames
from nearpair.shoot.exporting import Exporter, Ready, export
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.glassesfile import glasses_named
from nearpair.shoot.looking import Looked, Member, look_at
from nearpair.shoot.measuring import measure
from nearpair.shoot.memo import Memo
from nearpair.shoot.merging import Merged, merge_station
from nearpair.shoot.mounting import mount_pair, reference_frame
from nearpair.shoot.outlog import note_mounted
from nearpair.shoot.pairsheet import keep_pairs
from nearpair.shoot.proving import Subject, drop_stale_proof, prove, recall_fixed
from nearpair.shoot.reading import Reading
from nearpair.shoot.reporting import dust_of, eyes_of, notes, pair_of, reports
from nearpair.shoot.retouches import adrift_of, check_retouches
from nearpair.shoot.retouching import in_words, retouch_pair
from nearpair.shoot.scratch import Scratch
from nearpair.shoot.shown import MountedPair
from nearpair.shoot.straightening import lens_of
from nearpair.shoot.surveying import Keeper
from nearpair.shoot.told import check_same_sources, check_sources

S = TypeVar("S", bound=msgspec.Struct)

STAGES = ("sort", "merge", "mount", "export", "proof")
"""The stages in their order; each needs the ones before it."""

_TEXT = frozenset({".py", ".j2", ".css", ".js"})


@cache
def program() -> str:
    """What made the results in a shoot: the version, and a digest of the program's own text.

    Stages that another program kept are not used, not even one of the same version in development.
    """
    home = Path(nearpair.__file__).parent
    text = blake2b(digest_size=8)
    for file in sorted(path for path in home.rglob("*") if path.suffix in _TEXT):
        text.update(file.relative_to(home).as_posix().encode() + b"\0" + file.read_bytes())
    return f"{nearpair.__version__} {text.hexdigest()}"


class Look(msgspec.Struct, frozen=True):
    """What is on the card: result of `look`."""

    stations: list[Station]
    eyes: Eyes | None
    pair_reason: str
    set_aside: list[SetAside]
    notes: list[str]
    candidates: list[Candidate] = []
    files: list[list[str]] = []
    """Names of the frames of each station, as they can be moved."""
    readable: dict[str, str] = {}
    """Every frame that can be read, by that name, and where it lies."""


class Candidates(msgspec.Struct, frozen=True):
    """Every pair that a shoot can make, the best first: result of `candidates`."""

    pair_reason: str
    candidates: list[Candidate]
    next_base: NextBase | None
    contact_sheet: str
    notes: list[str]


def look(sources: Sequence[Path], overrides: Overrides = NOTHING, progress: Progress = silent) -> Look:
    """Sort the sources and find orders and eyes; writes nothing."""
    decisions = with_overrides(Decisions(), overrides)
    found = look_at(decisions, sources, Reading(), None, progress)
    return Look(
        list(found.stations),
        found.eyes,
        found.pair_reason,
        list(found.set_aside),
        list(found.notes),
        _candidates(found),
        [list(files) for files in found.files],
        {name: str(path) for name, path in found.all_files.items()},
    )


def make(
    sources: Sequence[Path], shoot: Path, overrides: Overrides = NOTHING, progress: Progress = silent
) -> Proof:
    """The main job: from the sources to the mounted, published and proofed pair in the folder `shoot`.

    An existing shoot of the same sources is continued. Raises NearpairError (see `errors`) with the reason.
    """
    check_sources(sources)
    existed = shoot.exists()
    continued = (shoot / SHOOT_FILE).exists()
    folder = ShootFolder.open_or_create(shoot, sources)
    check_same_sources(folder, sources)
    try:
        proof = run(shoot, "proof", overrides, progress)
    except (SourceError, PairError):
        # sources that hold no shoot must not be remembered as this folder's
        if not continued:
            folder.abandon(keep_root=existed)
        raise
    if proof is None:
        message = f"{shoot}: the job ended without a proof."
        raise ShootError(message, "Run it again.")
    return proof


def run(
    shoot: Path,
    until: str,
    overrides: Overrides = NOTHING,
    progress: Progress = silent,
    exporter: Exporter = export,
    *,
    keep: bool = True,
) -> Proof | None:
    """Bring a shoot up to and including the stage `until`; returns the proof if that is the last one.

    exporter: what the export stage does. With `keep` the overrides are written into shoot.toml, else they
    hold for this run only.
    """
    _check_stage(until)
    folder = ShootFolder.open(shoot)
    with folder.lock():
        memo = Memo(folder.cache, program())
        with closing(Scratch(folder.cache)) as scratch:
            reading = Reading(developed_frames(folder.cache), scratch)
            decisions, looked = _decided(folder, memo, reading, overrides, progress, keep=keep)
            pair = pair_of(looked)
            if until == "sort":
                return None
            left, right = (
                merge_station(folder, memo, reading, member, agreement, progress)
                for member, agreement in zip(pair, _agreements(looked, reading, progress), strict=True)
            )
            if until == "merge":
                return None
            lens = lens_of((reference_frame(pair[0]), reference_frame(pair[1])), decisions.mounting.lens)
            merged, retouched = retouch_pair(
                folder, memo, reading, pair, (left, right), decisions.retouches, lens, progress
            )
        made = _Made(decisions, looked, pair, merged, retouched)
        return _staged(folder, memo, made, until, progress, exporter)


def members(shoot: Path, progress: Progress = silent) -> tuple[Member, Member]:
    """The two stations of a shoot's pair, with their frames and where these lie; nothing is merged.

    May be asked beside a run: what that already found is read, and all that is kept is whole or absent.
    """
    folder = ShootFolder.open(shoot)
    reading = Reading(developed_frames(folder.cache))
    _, looked = _decided(folder, Memo(folder.cache, program()), reading, NOTHING, progress, keep=False)
    return pair_of(looked)


def candidates(shoot: Path, overrides: Overrides = NOTHING, progress: Progress = silent) -> Candidates:
    """Rank all pairs that a shoot can make, and draw their contact sheet. Nothing is merged."""
    folder = ShootFolder.open(shoot)
    with folder.lock():
        memo = Memo(folder.cache, program())
        with closing(Scratch(folder.cache)) as scratch:
            reading = Reading(developed_frames(folder.cache), scratch)
            decisions, looked = _decided(folder, memo, reading, overrides, progress, rank_two=True)
        pair_of(looked)
        listed = _candidates(looked)
        _sheet(folder, memo, looked, decisions, progress)
    sheet = str(folder.out(SHEET))
    return Candidates(looked.pair_reason, listed, next_base(listed), sheet, list(looked.notes))


def _candidates(looked: Looked, metric: Metric | None = None) -> list[Candidate]:
    if looked.ranked is None or looked.eyes is None:
        return []
    base = None if metric is None or metric.base is None else metric.base.used_mm
    return looked.ranked.candidates(looked.eyes, base)


def _sheet(folder: ShootFolder, memo: Memo, looked: Looked, decisions: Decisions, progress: Progress) -> None:
    if looked.ranked is not None:
        write_sheet(folder, memo, looked.ranked, _candidates(looked), decisions, progress)


def _agreements(looked: Looked, reading: Reading, progress: Progress) -> list[Agreement]:
    """What is heard of the other side for the left and for the right eye; once if it is the same."""
    one, other = looked.heard
    first = Agreement(one, reading, progress)
    same = one[0] is other[0] and one[1] is other[1]
    return [first, first if same else Agreement(other, reading, progress)]


def _decided(
    folder: ShootFolder,
    memo: Memo,
    reading: Reading,
    overrides: Overrides,
    progress: Progress,
    *,
    rank_two: bool = False,
    keep: bool = True,
) -> tuple[Decisions, Looked]:
    """Put in what was given, look at the sources, and only then keep it: the sources may contradict it."""
    decisions = load(folder.toml)
    changed = with_overrides(decisions, overrides)
    glasses_named(changed.colour.glasses)
    keeper = Keeper(memo, folder.cache)
    looked = look_at(changed, folder.source_paths(changed), reading, keeper, progress, rank_two=rank_two)
    check_retouches(changed.retouches, [station.name for station in looked.stations], looked.pair)
    if keep and changed != decisions and looked.pair is not None:
        save(folder.toml, changed)
    return changed, looked


def _check_stage(until: str) -> None:
    if until not in STAGES:
        message = f"There is no stage {until!r}."
        raise ShootError(message, f"Choose one of {', '.join(STAGES)}.")


@dataclass(frozen=True, slots=True, eq=False)
class _Made:
    """What mounting and all that follows it begin with."""

    decisions: Decisions
    looked: Looked
    pair: tuple[Member, Member]
    merged: tuple[Merged, Merged]
    retouched: list[Retouched]

    def notes(self) -> list[str]:
        """What was noticed, and what was retouched."""
        names = [member.station.name for member in self.pair]
        waiting = [retouch for retouch in self.decisions.retouches if retouch.station not in names]
        adrift = adrift_of(self.pair, self.decisions.retouches)
        return [*notes(self.looked, self.decisions), *in_words(self.retouched, waiting, adrift)]


def _staged(
    folder: ShootFolder, memo: Memo, made: _Made, until: str, progress: Progress, exporter: Exporter
) -> Proof | None:
    """What follows merging and retouching."""
    last = STAGES.index(until)
    decisions, looked, pair, merged = made.decisions, made.looked, made.pair, made.merged
    mounted = mount_pair(folder, memo, pair, merged, decisions, progress)
    note_mounted(memo, decisions, mounted)
    metric = measure(folder, memo, pair, mounted, decisions.capture)
    listed = _candidates(looked, metric)
    if looked.ranked is not None:
        keep_pairs(folder, memo, looked.ranked, listed, decisions)
    chosen_mm = next((c.base_mm for c in listed if c.chosen), None)
    subject = Subject(
        mounted.key,
        mounted.mounting,
        reports(looked, pair, merged),
        eyes_of(looked),
        list(looked.set_aside),
        made.notes(),
        metric,
        listed,
        next_base(listed, chosen_mm),
        recall_fixed(folder, memo, decisions, eyes_of(looked), mounted.mounting),
        mounted.local,
        made.retouched,
        dust_of(pair),
    )
    drop_stale_proof(folder, memo, decisions, subject)
    if last == 2:
        return None
    shown = MountedPair(folder, mounted.mounting.floating_px, decisions.colour)
    exporter(folder, memo, Ready(mounted, decisions, metric, reference_frame(pair[0]), shown), progress)
    _sheet(folder, memo, looked, decisions, progress)
    if last == 3:
        return None
    return prove(folder, memo, decisions, subject, shown, progress)
