"""Advice from all pairs that the stations of a shoot can make: which base to shoot next time."""

from collections.abc import Iterator

from nearpair.proof.model import Proof
from nearpair.proof.model_advice import Finding
from nearpair.proof.model_pairs import NextBase


def next_time(proof: Proof) -> Iterator[Finding]:
    """Bases that would suit the viewing conditions, where more than two stations told it."""
    found = proof.next_base
    if found is None:
        return
    yield Finding(
        code="next-base",
        severity="note",
        text=_text(found),
        remedy=_remedy(found),
        measured=f"{sum(c.used_share is not None for c in proof.candidates)} pairs measured",
    )


def _text(found: NextBase) -> str:
    if found.of_narrowest < 1:
        return "Even the narrowest base that was shot is deeper than is comfortable for this viewing."
    if found.of_widest >= 1:
        much = f"{found.of_widest:.2g} times the widest base that was shot"
        return f"All bases that were shot stay comfortable; {much} would just fill what is comfortable."
    much = f"{found.of_widest:.2g} of the widest base that was shot"
    return f"For this viewing the base that just fills what is comfortable is {much}."


def _remedy(found: NextBase) -> str:
    if found.of_narrowest < 1:
        most = f"at most {found.fills:.2g} of this base{_mm(found.fills_mm)}"
        return f"Next time shoot {most}; {found.enough:.2g} of it{_mm(found.enough_mm)} gives depth enough."
    return (
        f"Next time any base from {found.enough:.2g}{_mm(found.enough_mm)} to {found.fills:.2g} times this "
        f"one{_mm(found.fills_mm)} gives depth enough and stays comfortable."
    )


def _mm(length: float | None) -> str:
    return "" if length is None else f" ({length:.2g} mm)"
