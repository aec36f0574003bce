"""Advice from lengths in mm: what was stated about the shoot, against what its pictures say."""

from collections.abc import Iterator

from nearpair.proof.model import Length, Proof
from nearpair.proof.model_advice import Finding
from nearpair.proof.phrases import with_error


def moves(proof: Proof) -> Iterator[Finding]:
    """Find a sideways move or a step that was not what was stated, by more than the uncertainty of both."""
    if proof.metric is None:
        return
    base, step = proof.metric.base, proof.metric.step
    if base is not None:
        yield from _differs("base-differs", "sideways move", "base_mm", base, _other("step", step))
    if step is not None:
        yield from _differs("step-differs", "step", "step_mm", step, _other("sideways move", base))


def _other(name: str, length: Length | None) -> str:
    """Say that everything stated counts as a witness, and so may itself be what is wrong."""
    if length is None or length.stated_mm is None:
        return ""
    return f", and the {name} of {length.stated_mm:g} mm if that is what you doubt"


def _differs(code: str, name: str, key: str, length: Length, other: str) -> Iterator[Finding]:
    stated, measured, error = length.stated_mm, length.measured_mm, length.measured_error_mm
    if not length.contradicted or stated is None or measured is None or error is None:
        return
    number, plus = with_error(measured, error)
    yield Finding(
        code=code,
        severity="note",
        text=f"The {name} was {number} mm, not {stated:g} mm.",
        remedy=f"The pair is as good as before; sizes and depth in mm were reckoned with {number} mm. Check "
        f"the reading and the play of the rail{other}, and correct `{key}` in shoot.toml.",
        measured=f"{number} mm, give or take {plus} mm, from all that is known without the stated {name}",
    )
