"""`nearpair proof --fix`: remedies that need no new frames, tried one by one; what does not help is undone.

Findings are taken in their order, and of each its remedies, the best first. A trial is kept if no finding
that asks for rework is new, and fewer findings ask for rework or care, or as many pass their limits by less.
Trials do not touch shoot.toml: only what is kept is decided, at the end.
"""

from collections.abc import Mapping
from operator import attrgetter
from pathlib import Path

from nearpair.errors import ShootError
from nearpair.progress import Progress, silent
from nearpair.proof.changes import better, changes, outcome
from nearpair.proof.model import Proof
from nearpair.proof.model_advice import Finding, Fix, Fixed, Trial
from nearpair.shoot.deciding import Overrides, with_overrides
from nearpair.shoot.decisions import Decisions, load
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.memo import Memo
from nearpair.shoot.proving import as_shown, record_fixed
from nearpair.shoot.run import program, run

AT_MOST = 6
"""Trials; each mounts and measures the pair anew."""

_NOTHING = Overrides()

Decided = dict[str, str | float]


def fix(shoot: Path, overrides: Overrides = _NOTHING, progress: Progress = silent) -> Proof:
    """Proof a shoot, try what may help, and keep what does; what was done is in `fixed` of the proof.

    Without anything to try the proof is as it was. Raises NearpairError as `run` does.
    """
    before = _proofed(shoot, overrides, progress)
    folder = ShootFolder.open(shoot)
    shown = None
    best, decided, trials = before, Decided(), list[Trial]()
    while len(trials) < AT_MOST and (step := _untried(best, trials, load(folder.toml))) is not None:
        shown = as_shown(folder, load(folder.toml), before.mounting) if shown is None else shown
        finding, remedy = step
        found = _proofed(shoot, _overrides({**decided, **remedy.decides}), progress, keep=False)
        kept = better(found, best)
        why = outcome(finding, best, found)
        trials.append(Trial(code=finding.code, command=remedy.command, kept=kept, why=why))
        if kept:
            best, decided = found, {**decided, **remedy.decides}
    if shown is None:
        return before
    done = Fixed(
        verdict_before=before.verdict,
        verdict_after=best.verdict,
        advice_before=[finding.code for finding in before.advice],
        advice_after=[finding.code for finding in best.advice],
        trials=trials,
        decided=decided,
        changes=changes(before, best),
    )
    with folder.lock():
        decisions = with_overrides(load(folder.toml), _overrides(decided))
        record_fixed(folder, Memo(folder.cache, program()), decisions, best, done, shown)
    return _proofed(shoot, _overrides(decided), progress)


def _proofed(shoot: Path, overrides: Overrides, progress: Progress, *, keep: bool = True) -> Proof:
    proof = run(shoot, "proof", overrides, progress, keep=keep)
    if proof is None:
        message = f"{shoot}: the job ended without a proof."
        raise ShootError(message, "Run it again.")
    return proof


def _untried(best: Proof, trials: list[Trial], decisions: Decisions) -> tuple[Finding, Fix] | None:
    """The next remedy, of the most serious finding that has one left."""
    done = {(trial.code, trial.command) for trial in trials}
    for finding in best.advice:
        for remedy in finding.fixes if finding.severity != "note" else []:
            if (finding.code, remedy.command) not in done and not _decided_so(remedy.decides, decisions):
                return finding, remedy
    return None


def _decided_so(decides: Mapping[str, str | float], decisions: Decisions) -> bool:
    return all(attrgetter(name)(decisions) == value for name, value in decides.items())


def _overrides(decided: Mapping[str, str | float]) -> Overrides:
    """Decisions by their keys in shoot.toml, as options give them."""
    return Overrides(**{name.split(".")[1]: value for name, value in decided.items()})  # type: ignore[arg-type]
