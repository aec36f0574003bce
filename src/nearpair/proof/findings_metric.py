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
    if proof.metric.one_of_two and base is not None and step is not None:
        yield from _one_of_two(base, step)
        return
    if base is not None:
        yield from _differs("base-differs", "sideways move", "base_mm", base, _other("step", step))
    if step is not None:
        yield from _differs("step-differs", "step", "step_mm", step, _other("sideways move", base))


def _one_of_two(base: Length, step: Length) -> Iterator[Finding]:
    found = []
    for length in (base, step):
        if length.stated_mm is None or length.measured_mm is None or length.measured_error_mm is None:
            return
        found.append(with_error(length.measured_mm, length.measured_error_mm))
    yield Finding(
        code="base-or-step-differs",
        severity="note",
        text=f"The sideways move of {base.stated_mm:g} mm and the step of {step.stated_mm:g} mm do not fit "
        "together: one of the two is off.",
        remedy=f"If the step is right, the sideways move was {found[0][0]} mm; if the sideways move is "
        f"right, the step was {found[1][0]} mm. The pair is as good as before, but sizes and depth in mm are "
        "as uncertain as that. Check the readings, correct `base_mm` or `step_mm` in shoot.toml, or state "
        "`field_width_mm` too, which tells which it is.",
        measured=f"move {found[0][0]} mm, give or take {found[0][1]} mm, or step {found[1][0]} mm, give or "
        f"take {found[1][1]} mm",
    )


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
