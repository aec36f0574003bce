"""What `nearpair proof --fix` did, in words: what was tried and decided, the measures before and after."""

import shlex
from collections.abc import Iterator
from pathlib import Path

from nearpair.cli.lines import GOOD, WEAK, Line
from nearpair.proof.model_advice import Fixed
from nearpair.proof.phrases import amount


def fixed(found: Fixed | None, shoot: Path) -> Iterator[Line]:
    """Lines of the summary; none if nothing was fixed."""
    if found is None:
        return
    label = "Tried"
    for trial in found.trials:
        command = trial.command.replace("SHOOT", shlex.quote(str(shoot)))
        result = "kept" if trial.kept else "taken back"
        yield Line(label, f"{result}: {command} ({trial.why})", GOOD if trial.kept else WEAK)
        label = ""
    if found.decided:
        listed = ", ".join(f"{key} = {value}" for key, value in found.decided.items())
        yield Line("Decided", f"{listed}; written into shoot.toml")
    label = "Changed"
    for change in found.changes:
        before, after = amount(change.before), amount(change.after)
        yield Line(label, f"{change.measure:<28}{before:>9} -> {after:>9} {change.unit}", whole=True)
        label = ""
    yield Line(label, f"{'verdict':<28}{found.verdict_before:>9} -> {found.verdict_after:>9}", whole=True)
