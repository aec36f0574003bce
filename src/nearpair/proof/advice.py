"""From measurements to advice: every rule in one list, ranked, and the verdict.

The verdict is "rework" when any finding asks for rework, "with care" when any asks for care, else "ready".
"""

from collections.abc import Callable, Iterable, Iterator, Sequence

import msgspec

from nearpair.proof import (
    findings_base,
    findings_light,
    findings_metric,
    findings_shoot,
    findings_stacks,
    findings_view,
)
from nearpair.proof.model import Proof
from nearpair.proof.model_advice import Finding, Verdict

Rule = Callable[[Proof], Iterator[Finding]]

RULES: tuple[Rule, ...] = (
    findings_shoot.eyes,
    findings_shoot.matching,
    findings_shoot.gaps,
    findings_stacks.moved,
    findings_view.height,
    findings_view.comfort,
    findings_view.base,
    findings_view.window,
    findings_view.crowding,
    findings_shoot.single_frames,
    findings_stacks.spoilt,
    findings_stacks.cover,
    findings_light.brightness,
    findings_light.colour,
    findings_view.rivalry,
    findings_view.flat,
    findings_shoot.stack_ends,
    findings_view.ghosting,
    findings_stacks.highlights,
    findings_shoot.coverage,
    findings_stacks.dust,
    findings_stacks.camera_height,
    findings_shoot.order,
    findings_shoot.set_aside,
    findings_metric.moves,
    findings_base.next_time,
)
"""All rules; among findings of equal severity the earlier rule comes first."""

CORRECTED_BY_A_PLAN = {
    "too-deep-for-screen",
    "flat",
    "missing-slice",
    "stack-starts-late",
    "stack-ends-early",
    "stacks-cover-differently",
    "single-frame-unsharp",
    "base-differs",
    "next-base",
}
"""Findings that `nearpair plan --like` takes into account: base, depth, step, ends of the stack."""

_RANK = {"rework": 0, "care": 1, "note": 2}


def advise(proof: Proof) -> list[Finding]:
    """List the findings about a proof's measurements (not its own advice), most serious first."""
    found = [finding for rule in RULES for finding in rule(proof)]
    return ranked(_planned(finding, proof) for finding in found)


def _planned(finding: Finding, proof: Proof) -> Finding:
    """With the command that plans the next shoot by it, where a plan can be made from this one."""
    base = None if proof.metric is None else proof.metric.base
    if finding.code not in CORRECTED_BY_A_PLAN or base is None or proof.depth.deviation_px is None:
        return finding
    return msgspec.structs.replace(finding, next_plan="nearpair plan --like SHOOT")


def ranked(findings: Iterable[Finding]) -> list[Finding]:
    """Most serious first, otherwise in the given order."""
    return sorted(findings, key=lambda finding: _RANK[finding.severity])


def verdict(findings: Sequence[Finding]) -> Verdict:
    """Sum the findings up."""
    severities = {finding.severity for finding in findings}
    if "rework" in severities:
        return "rework"
    return "with care" if "care" in severities else "ready"
