"""What stands on a shot sheet, in words: the same for paper and phone."""

from dataclasses import dataclass

from nearpair.plan import phrases
from nearpair.plan.model import Plan

DIRECTIONS = ("near to far", "far to near")


@dataclass(frozen=True, slots=True)
class Sheet:
    """Title, facts as (label, value), how to shoot, what it costs, notes and cautions."""

    title: str
    facts: list[tuple[str, str]]
    how: list[str]
    cost: str
    notes: list[str]
    cautions: list[str]


def sheet(plan: Plan, title: str) -> Sheet:
    """Put a plan in words."""
    return Sheet(title or "Shot sheet", _facts(plan), _how(plan), _cost(plan), plan.notes, plan.cautions)


def direction(turn: int) -> str:
    """Say which way the focus goes at the first, second, ... station."""
    return DIRECTIONS[turn % 2]


def _facts(plan: Plan) -> list[tuple[str, str]]:
    optics, stack, stereo = plan.optics, plan.stack, plan.stereo
    bases = [base for base in plan.stations.values() if base]
    base = " / ".join(phrases.mm(each) for each in bases)
    lens = f"{optics.focal_mm:g} mm at {phrases.f_number(optics.f_number)}"
    step = "one frame" if stack.step_mm is None else f"{_step(plan)}, {stack.frames} frames a station"
    limits = _limits(stereo.near_arcmin, stereo.far_arcmin)
    comfort = "comfortable" if stereo.comfortable else "too deep"
    wider = f"shoot a field of {phrases.mm(stereo.wider_field_mm)}"
    px = "" if stereo.deviation_px is None else f", {stereo.deviation_px:.0f} px of the frame"
    return [
        ("Stereo base", base),
        ("Focus", step),
        ("Lens", lens),
        ("Size", f"{phrases.magnification(optics.magnification)}, field {phrases.mm(optics.field_width_mm)}"),
        ("Distance", f"{phrases.mm(optics.distance_mm)} from the entrance pupil to the plane of focus"),
        ("Depth of field", f"{phrases.mm(optics.depth_of_field_mm)} a frame"),
        ("Depth seen", f"{limits}, {comfort}; {phrases.percent(stereo.deviation_share, 1)} of the width{px}"),
        (
            "Window",
            f"on the nearest point; its shift costs {phrases.percent(stereo.lost_share)} of the frame",
        ),
        ("Framing", f"{wider} if all of {phrases.mm(optics.field_width_mm)} is to be kept"),
        (
            "Shown",
            f"{phrases.mm(plan.screen_width_mm)} wide, seen from {phrases.mm(plan.viewing_distance_mm)}",
        ),
    ]


def _limits(near_arcmin: float, far_arcmin: float) -> str:
    """Say how far depth reaches before and behind the window."""
    behind = f"{far_arcmin:.0f} arcmin behind the window"
    return behind if near_arcmin > -0.5 else f"{-near_arcmin:.0f} arcmin in front of the window, {behind}"


def _step(plan: Plan) -> str:
    stack = plan.stack
    if stack.step_mm is None:
        return ""
    if stack.kind == "ring":
        return f"by the ring, about {phrases.mm(stack.step_mm)} apart"
    return f"rail, step {phrases.reading(stack.step_mm)} mm, travel {phrases.reading(stack.travel_mm)} mm"


def _how(plan: Plan) -> list[str]:
    stack = plan.stack
    keep = "Keep exposure, white balance, aperture and light the same for all frames; touch nothing else."
    aim = "Slide sideways only; do not turn the camera towards the subject, and keep it level."
    if stack.kind == "single":
        return [aim, keep]
    if stack.kind == "rail":
        start = (
            "Readings grow towards the subject. At the first reading the focus lies just before its nearest "
            "point; do not touch the focus ring."
        )
    else:
        more = phrases.mm(plan.optics.focal_mm * (1 + plan.optics.magnification))
        start = f"Distances count from the lens; a scale that counts from the sensor says about {more} more. "
        start += "If the ring has no such scale, turn it by equal steps from just before the nearest point."
    back = "Shoot the next station in the opposite order, ending where the first began."
    return [aim, start, back, keep]


def _cost(plan: Plan) -> str:
    found = plan.effort
    card, charge = phrases.megabytes(found.card_mb), phrases.charges(found.battery_share)
    text = f"{found.frames} frames, about {phrases.duration(found.minutes)}, {card} on the card, {charge}"
    return f"{text} (assumed: {', '.join(found.assumed)})." if found.assumed else f"{text}."
