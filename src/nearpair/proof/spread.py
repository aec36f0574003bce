"""How the parallax of a picture is spread, as shapes to draw: its histogram against the limits of comfort."""

from dataclasses import dataclass

from nearpair.proof.model import Proof

WIDTH, HEIGHT = 600.0, 170.0
_BASE, _TOP = 140.0, 12.0
_MARGIN_ARCMIN = 70.0


@dataclass(frozen=True, slots=True)
class Bar:
    """A bar of the histogram; outside: beyond one degree."""

    x: float
    y: float
    width: float
    height: float
    outside: bool


@dataclass(frozen=True, slots=True)
class Mark:
    """A line across, and what it says."""

    x: float
    label: str
    kind: str


@dataclass(frozen=True, slots=True)
class Chart:
    """Bars and marks in a drawing of WIDTH x HEIGHT, y down."""

    bars: list[Bar]
    marks: list[Mark]
    base: float = _BASE


def chart(proof: Proof) -> Chart | None:
    """Draw the histogram; None where depth is not known."""
    found = None if proof.seen is None else proof.seen.histogram
    if found is None:
        return None
    last = found.first_arcmin + found.step_arcmin * len(found.shares)
    low, high = min(found.first_arcmin, -_MARGIN_ARCMIN), max(last, _MARGIN_ARCMIN)
    limit = proof.comfort.limits["one-degree"]
    near, far = limit.near_arcmin or -60.0, limit.far_arcmin or 60.0

    def at(arcmin: float) -> float:
        return round(WIDTH * (arcmin - low) / (high - low), 2)

    tallest = max(found.shares) or 1.0
    bars = []
    for number, share in enumerate(found.shares):
        left = found.first_arcmin + number * found.step_arcmin
        height = round((_BASE - _TOP) * share / tallest, 2)
        wide = max(1.0, at(left + found.step_arcmin) - at(left) - 0.5)
        outside = left + found.step_arcmin / 2 < near or left + found.step_arcmin / 2 > far
        bars.append(Bar(at(left), round(_BASE - height, 2), round(wide, 2), height, outside))
    marks = [Mark(at(near), f"{near:+.0f}", "limit"), Mark(at(0), "window", "window")]
    return Chart(bars, [*marks, Mark(at(far), f"{far:+.0f}", "limit")])
