"""Two proofs of one shoot against each other: is one better than the other, and what became different."""

from collections.abc import Callable

from nearpair.proof.model import Capture, Proof
from nearpair.proof.model_advice import Change, Finding
from nearpair.proof.phrases import amount

_NOTICEABLE = 0.9
"""With as many findings, one proof is better if they pass their limits by less than this share."""

_MEASURES: tuple[tuple[str, str, Callable[[Proof], float | None]], ...] = (
    ("nearest point", "arcmin", lambda p: p.comfort.near_arcmin),
    ("farthest point", "arcmin", lambda p: p.comfort.far_arcmin),
    ("relief", "of 100", lambda p: p.depth.relief.score),
    ("largest comfortable width", "mm", lambda p: p.comfort.largest_screen_width_mm),
    ("left side cut", "%", lambda p: 100 * p.edges.left.share),
    ("right side cut", "%", lambda p: 100 * p.edges.right.share),
    ("in patches of rivalry", "%", lambda p: _percent(p.colour.rivalry.patch_share)),
    ("all but black for one eye", "%", lambda p: _percent(p.colour.rivalry.saturated_patch_share)),
    ("brightness of views differs", "stops", lambda p: _brightness(p.capture)),
    ("colour of views differs", "%", lambda p: _percent(_colour(p.capture))),
    ("ghosting, left eye", "%", lambda p: _percent(p.colour.ghosting.left_share)),
    ("ghosting, right eye", "%", lambda p: _percent(p.colour.ghosting.right_share)),
    ("stereo base, of that shot", "%", lambda p: 100 * p.mounting.base_share),
    ("picture width", "px", lambda p: p.picture.width_px),
)


def _brightness(found: Capture) -> float | None:
    """By how many stops the views of the pair differ, as they are now."""
    now = found.exposure_stops if found.left_over_stops is None else found.left_over_stops
    return None if now is None else abs(now)


def _colour(found: Capture) -> float | None:
    return found.white_balance_shift if found.left_over_shift is None else found.left_over_shift


def _percent(share: float | None) -> float | None:
    return None if share is None else 100 * share


def better(proof: Proof, than: Proof) -> bool:
    """Whether `proof` is the better one: fewer serious findings and none of them new, or smaller ones."""
    if _codes(proof, "rework") - _codes(than, "rework"):
        return False
    one, other = _counts(proof), _counts(than)
    return one < other or (one == other and _over(proof) < _NOTICEABLE * _over(than))


def _codes(proof: Proof, severity: str) -> set[str]:
    return {finding.code for finding in proof.advice if finding.severity == severity}


def _counts(proof: Proof) -> tuple[int, int]:
    severities = [finding.severity for finding in proof.advice]
    return severities.count("rework"), severities.count("care")


def _over(proof: Proof) -> float:
    return sum(finding.over or 1.0 for finding in proof.advice if finding.severity != "note")


def outcome(finding: Finding, before: Proof, after: Proof) -> str:
    """What a trial did to the finding it was for, and what it brought, in words."""
    now = next((other for other in after.advice if other.code == finding.code), None)
    serious = {f.code for p in (before, after) for f in p.advice if f.severity != "note"}
    new = sorted(
        _plain(code) for code in (serious & {f.code for f in after.advice}) - {f.code for f in before.advice}
    )
    name = _plain(finding.code)
    brings = f", but {' and '.join(new)} came up" if new else ""
    if now is None:
        return f"{name} is gone{brings}"
    if now.severity != finding.severity:
        return f"{name} is now a matter of {now.severity}{brings}"
    if finding.over and now.over and now.over < _NOTICEABLE * finding.over:
        return f"{name} is less than before{brings}"
    return f"{name} stays{brings}"


def _plain(code: str) -> str:
    return code.replace("-", " ")


def changes(before: Proof, after: Proof) -> list[Change]:
    """The measures that are known of either proof and differ between them by what is told of them."""
    found = [
        Change(measure=name, unit=unit, before=of(before), after=of(after)) for name, unit, of in _MEASURES
    ]
    return [change for change in found if _differ(change.before, change.after)]


def _differ(one: float | None, other: float | None) -> bool:
    return amount(one) != amount(other)
