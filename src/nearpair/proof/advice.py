"""From measurements to advice: every rule in one list, ranked, and the verdict.

The verdict is "rework" when any finding asks for rework, "with care" when any asks for care, else "ready".
"""

from collections.abc import Callable, Iterable, Iterator, Sequence

from nearpair.proof import findings_base, findings_metric, findings_shoot, findings_view
from nearpair.proof.model import Finding, Proof, Verdict

Rule = Callable[[Proof], Iterator[Finding]]

RULES: tuple[Rule, ...] = (
    findings_shoot.eyes,
    findings_shoot.matching,
    findings_shoot.gaps,
    findings_view.height,
    findings_view.comfort,
    findings_view.base,
    findings_view.window,
    findings_shoot.single_frames,
    findings_shoot.exposure,
    findings_view.rivalry,
    findings_view.flat,
    findings_shoot.stack_ends,
    findings_view.ghosting,
    findings_shoot.coverage,
    findings_shoot.order,
    findings_shoot.set_aside,
    findings_metric.moves,
    findings_base.next_time,
)
"""All rules; among findings of equal severity the earlier rule comes first."""

_RANK = {"rework": 0, "care": 1, "note": 2}


def advise(proof: Proof) -> list[Finding]:
    """List the findings about a proof's measurements (not its own advice), most serious first."""
    return ranked(finding for rule in RULES for finding in rule(proof))


def ranked(findings: Iterable[Finding]) -> list[Finding]:
    """Most serious first, otherwise in the given order."""
    return sorted(findings, key=lambda finding: _RANK[finding.severity])


def verdict(findings: Sequence[Finding]) -> Verdict:
    """Sum the findings up."""
    severities = {finding.severity for finding in findings}
    if "rework" in severities:
        return "rework"
    return "with care" if "care" in severities else "ready"
