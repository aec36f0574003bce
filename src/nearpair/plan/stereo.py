"""The stereo base: what each consideration asks for or allows, which of them decides, and what comes of it.

The general base formula asks for far more than is usable where a close subject is shallow (A. Klooswyk's
counter-example of 1999: a base of 36 mm for a field 36 mm wide). So it never decides alone: the base is the
smallest of what fills the comfortable depth behind the window, what is customary (1/30 of the width), what
keeps solid things solid (roundness) and what leaves three quarters of the frame.
"""

import math
from dataclasses import dataclass

from nearpair.errors import NearpairError
from nearpair.optics import base as formulas
from nearpair.optics.viewing import ComfortLimits, comfortable_limits, mm_to_arcmin
from nearpair.plan.model import Candidate, Optics, Stack, Stereo
from nearpair.plan.request import Request
from nearpair.plan.stack import image_distance_mm

LOST_AT_MOST = 0.25
"""Share of the frame that the window's shift may cost a planned base (a choice of this project)."""
LOST_IMPOSSIBLE = 0.5
"""Above this share a given base is refused: the two frames have too little in common to be matched."""
ENOUGH = 1 / 3
"""Share of the comfortable depth that is worth having (a choice of this project, as in the proof)."""


@dataclass(frozen=True, slots=True)
class Scene:
    """What a base is reckoned from: limits and window before the entrance pupil, all mm.

    `per_base`: deviation on the sensor per mm of base, `shift_per_base` the same for the window's shift.
    """

    near_mm: float
    far_mm: float
    width_mm: float
    per_base: float
    shift_per_base: float
    corrected_by: float


def scene_of(request: Request, optics: Optics, stack: Stack) -> Scene:
    """Work out what a mm of base does. An earlier shoot of the same framing corrects it."""
    far_mm = math.inf if stack.far_mm is None else stack.far_mm
    image_mm = image_distance_mm(optics, stack)
    per_base = formulas.deviation_on_sensor_mm(1.0, stack.near_mm, far_mm, image_mm)
    factor = 1.0
    if request.earlier is not None:
        measured = request.earlier.deviation_share * optics.sensor_width_mm / request.earlier.base_mm
        factor = measured / per_base
    shift = image_mm / stack.near_mm
    return Scene(stack.near_mm, far_mm, optics.sensor_width_mm, per_base * factor, shift, factor)


def limits_of(request: Request) -> ComfortLimits:
    """Comfortable parallax for the viewing conditions, far points never beyond parallel eyes."""
    return comfortable_limits(request.viewing, request.comfort)


def candidates(request: Request, scene: Scene) -> list[Candidate]:
    """All considerations with their bases; `binds` marks the one that decides."""
    seen, limits = request.viewing, limits_of(request)
    behind = limits.far_mm / seen.screen_width_mm
    range_share = (limits.far_mm - limits.near_mm) / seen.screen_width_mm
    found = [
        (
            "behind the window",
            _base(scene, behind),
            "the farthest point just comfortable, all depth behind it",
        ),
        ("customary depth", _base(scene, 1 / 30), "1/30 of the width, common practice"),
        (
            "roundness",
            formulas.roundness_base_mm(scene.near_mm, seen.distance_mm, seen.eyes_mm),
            "things look as deep as they are; a larger base stretches them",
        ),
        ("shared frame", LOST_AT_MOST * scene.width_mm / scene.shift_per_base, "three quarters of it stay"),
    ]
    least = min(base for _, base, _ in found)
    others = [
        ("enough depth", _base(scene, ENOUGH * range_share), "a third of what is comfortable"),
        ("all comfortable depth", _base(scene, range_share), "in front of the window and behind it"),
        ("one thirtieth", formulas.base_thirtieth_mm(scene.near_mm), "of the nearest distance, as a check"),
    ]
    return [
        *(Candidate(name=n, base_mm=b, why=w, binds=b == least) for n, b, w in found),
        *(Candidate(name=n, base_mm=b, why=w) for n, b, w in others),
    ]


def chosen_base_mm(found: list[Candidate], division_mm: float) -> float:
    """Take the binding base, rounded down to two digits that can be read off the sideways axis."""
    base = min(each.base_mm for each in found if each.binds)
    digit = max(10.0 ** (math.floor(math.log10(base)) - 1), division_mm)
    return max(round(math.floor(base / digit + 1e-9) * digit, 9), division_mm)


def stereo(request: Request, optics: Optics, stack: Stack) -> Stereo:
    """Plan the base, or say what a given one does. Raises NearpairError for a base that leaves no pair."""
    scene = scene_of(request, optics, stack)
    found = candidates(request, scene)
    base = request.base_mm or chosen_base_mm(found, request.rail.division_mm)
    _check_overlap(base, scene)
    lost = base * scene.shift_per_base / scene.width_mm
    share = base * scene.per_base / (scene.width_mm * (1 - lost))
    near, far, comfortable = _parallax(request, share)
    window_mm = scene.near_mm
    shown_mm = scene.width_mm / scene.shift_per_base - base
    turn = formulas.convergence_deg(base, window_mm)
    keystone = formulas.toe_in_keystone_mm(
        optics.sensor_width_mm / 2, optics.sensor_height_mm / 2, turn, scene.shift_per_base * window_mm
    )
    px = None if optics.frame_width_px is None else optics.frame_width_px / scene.width_mm
    limits = limits_of(request)
    return Stereo(
        base_mm=base,
        base_given=request.base_mm is not None,
        candidates=found,
        deviation_on_sensor_mm=base * scene.per_base,
        deviation_share=share,
        deviation_px=None if px is None else base * scene.per_base * px,
        near_arcmin=near,
        far_arcmin=far,
        near_limit_arcmin=limits.near_arcmin,
        far_limit_arcmin=limits.far_arcmin,
        comfort_rule=limits.source,
        comfortable=comfortable,
        roundness=base / formulas.roundness_base_mm(scene.near_mm, *_seen(request)),
        lost_share=lost,
        shown_width_mm=shown_mm,
        wider_field_mm=optics.field_width_mm * (1 + lost),
        wider_magnification=optics.magnification / (1 + lost),
        window_mm=window_mm,
        toe_in_deg=turn,
        toe_in_keystone_px=None if px is None else keystone * px,
        toe_in_keystone_share=keystone / optics.sensor_height_mm,
        thirtieth_mm=formulas.base_thirtieth_mm(scene.near_mm),
        thirtieth_reasons=_against_thirtieth(base, scene, optics, found),
        corrected_by=scene.corrected_by,
    )


def _seen(request: Request) -> tuple[float, float]:
    return request.viewing.distance_mm, request.viewing.eyes_mm


def _base(scene: Scene, share: float) -> float:
    return formulas.base_in_frame_mm(share, scene.per_base, scene.shift_per_base, scene.width_mm)


def _parallax(request: Request, share: float) -> tuple[float, float, bool]:
    """Near and far parallax in arcmin: window on the near point, or in the depth if that is comfortable."""
    seen, limits = request.viewing, limits_of(request)
    whole = share * seen.screen_width_mm
    far = min(whole, limits.far_mm)
    near = far - whole
    return mm_to_arcmin(seen, near), mm_to_arcmin(seen, far), near >= limits.near_mm - 1e-9


def _check_overlap(base_mm: float, scene: Scene) -> None:
    field_mm = scene.width_mm / scene.shift_per_base
    lost = base_mm / field_mm
    if lost <= LOST_IMPOSSIBLE:
        return
    shares = "nothing" if lost >= 1 else f"only {100 * (1 - lost):.0f} % of it"
    raise NearpairError(
        f"A base of {base_mm:.4g} mm is too large for a field {field_mm:.4g} mm wide: the two frames "
        f"share {shares}, and cannot be matched.",
        f"The largest that works is --base {LOST_IMPOSSIBLE * field_mm:.3g}; "
        f"{LOST_AT_MOST * field_mm:.3g} mm keep three quarters of the frame. Or show a wider field.",
    )


def _against_thirtieth(base: float, scene: Scene, optics: Optics, found: list[Candidate]) -> list[str]:
    """Why the rule of one thirtieth says something else, if it does by more than a quarter."""
    rule = formulas.base_thirtieth_mm(scene.near_mm)
    if abs(math.log(base / rule)) < math.log(1.25):
        return []
    reasons = []
    binding = next((each for each in found if each.binds), None)
    if math.isfinite(scene.far_mm) and scene.far_mm < 2 * scene.near_mm:
        reasons.append("the rule takes the far point to be at infinity, and this subject is shallow")
    normal_mm = math.hypot(optics.sensor_width_mm, optics.sensor_height_mm)
    if optics.focal_mm > 1.3 * normal_mm:
        reasons.append(
            "the rule is meant for a normal lens, and this one is longer: its picture is magnified"
        )
    elif optics.focal_mm < normal_mm / 1.3:
        reasons.append("the rule is meant for a normal lens, and this one is shorter")
    if binding is not None and binding.name == "behind the window":
        reasons.append("the rule knows no viewing conditions, and these decide here")
    elif binding is not None:
        reasons.append(f"here {binding.name} decides: {binding.why}")
    return reasons
