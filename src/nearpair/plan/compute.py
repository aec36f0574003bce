"""The whole plan, from what was asked for."""

import math
from dataclasses import replace

from nearpair.errors import NearpairError
from nearpair.plan.cautions import cautions
from nearpair.plan.correct import corrected, same_framing, told_correction
from nearpair.plan.effort import effort
from nearpair.plan.exposing import exposed
from nearpair.plan.framing import Framing, framed
from nearpair.plan.model import Optics, Plan, Stack, Stereo
from nearpair.plan.phrases import f_number
from nearpair.plan.readings import readings, station_offsets
from nearpair.plan.request import MOST_STATIONS, Request
from nearpair.plan.stack import LONG_STACK, stacked
from nearpair.plan.stereo import ENOUGH, LOST_AT_MOST, stereo

_BASES_APART = 1.5
"""Neighbouring bases differ by this factor at most: the eye hardly tells less (a choice of this project)."""


def plan(request: Request, version: str, with_motor: bool = False) -> Plan:
    """Work out the whole plan.

    `version` is written into it. Raises NearpairError for what cannot be shot, with the reason and the
    nearest that works.
    """
    request, extra, notes = corrected(request)
    framing = framed(request.camera, request.subject)
    request, dropped = _checked_earlier(request, framing)
    optics = exposed(request, _deepest(request, framing))
    stack = stacked(request, _deepest(request, framing), optics, extra)
    found = stereo(request, optics, stack)
    bases = _bases(request, framing, optics, extra, found)
    stations = station_offsets(bases)
    _check_base_travel(request, max(bases))
    if request.earlier is not None:
        notes = [*told_correction(request.earlier, found.corrected_by), *notes]
    return Plan(
        version=version,
        optics=optics,
        stack=stack,
        stereo=found,
        stations=stations,
        readings=readings(stack, stations),
        effort=effort(stack, len(stations), request.camera, request.effort),
        screen_width_mm=request.viewing.screen_width_mm,
        viewing_distance_mm=request.viewing.distance_mm,
        eyes_mm=request.viewing.eyes_mm,
        notes=[*notes, *dropped, *_notes(request, optics, stack, found, len(bases))],
        cautions=cautions(stack, found, with_motor),
    )


def _checked_earlier(request: Request, framing: Framing) -> tuple[Request, list[str]]:
    earlier = request.earlier
    if earlier is None or same_framing(earlier, framing.magnification, framing.depth_mm):
        return request, []
    note = f"{earlier.name} was framed otherwise or less deep: its depth does not correct this base."
    return replace(request, earlier=None), [note]


def _deepest(request: Request, framing: Framing) -> Framing:
    """Return the framing with the most depth that there may be: the stack has to cover it."""
    deepest = request.subject.deepest_mm
    if deepest is None or deepest <= framing.depth_mm:
        return framing
    if request.subject.near_mm is not None:
        return replace(framing, depth_mm=deepest, far_mm=framing.near_mm + deepest)
    near_mm = (framing.distance_mm - deepest + math.hypot(framing.distance_mm, deepest)) / 2
    return replace(framing, depth_mm=deepest, near_mm=near_mm, far_mm=near_mm + deepest)


def _bases(
    request: Request, framing: Framing, optics: Optics, extra: tuple[int, int], found: Stereo
) -> list[float]:
    """One base; with an uncertain depth several, from what suits the deepest to the shallowest."""
    if _deepest(request, framing) is framing or found.base_given:
        return [found.base_mm]
    widest = stereo(request, optics, stacked(request, framing, optics, extra)).base_mm
    between = math.ceil(math.log(max(widest / found.base_mm, 1.0)) / math.log(_BASES_APART) - 1e-9)
    count = min(between, MOST_STATIONS - 2)
    if count == 0:
        return [found.base_mm]
    ratio = (widest / found.base_mm) ** (1 / count)
    digits = max(0, 1 - math.floor(math.log10(found.base_mm)))
    return sorted({round(found.base_mm * ratio**k, digits) for k in range(count + 1)})


def _check_base_travel(request: Request, widest: float) -> None:
    travel = request.rail.base_travel_mm
    if travel is not None and widest > travel:
        raise NearpairError(
            f"The sideways axis has to move {widest:.4g} mm, and it moves {travel:.4g} mm.",
            f"Plan with --base {travel:.4g} and see what depth that gives.",
        )


def _notes(request: Request, optics: Optics, stack: Stack, found: Stereo, bases: int) -> list[str]:
    """Say what a practitioner would want to be told about this plan."""
    enough, most = (_base_named(found, name) for name in ("enough depth", "all comfortable depth"))
    slight = f"Depth will be slight: {enough:.3g} mm would give {100 * ENOUGH:.0f} % of what is comfortable"
    deep = f"This base is too deep for the picture: {most:.3g} mm is the most that is comfortable."
    lost = f"The window's shift costs {100 * found.lost_share:.0f} % of the frame."
    beyond = f"f/{optics.f_number:.2g} is beyond the balance of diffraction and defocus: "
    wide = f"{f_number(optics.f_number)} is that of {request.camera.from_what}: "
    texts = [
        (
            bool(request.camera.from_what) and 1.4 * optics.f_number < optics.balanced_f_number,
            f"{wide}f/{optics.balanced_f_number:.2g} needs fewer frames.",
        ),
        (request.comfort == "zone-of-comfort", f"Comfort by the {found.comfort_rule}."),
        (found.base_mm < 0.95 * enough, f"{slight}, but other limits come first."),
        (not found.comfortable, deep),
        (found.lost_share > LOST_AT_MOST, lost),
        (
            optics.f_number > 1.15 * optics.balanced_f_number,
            f"{beyond}f/{optics.balanced_f_number:.2g} needs fewer frames.",
        ),
        (stack.frames > LONG_STACK, "A long stack: a smaller picture or less magnification shortens it."),
        (stack.kind == "single", "One frame at each station shows all of it sharp: no stack is needed."),
        (
            bases > 1,
            "The depth is uncertain, so there are several stations: nearpair ranks all pairs they make.",
        ),
        (
            stack.far_mm is None,
            "Far points stay closer together than the viewer's eyes, which never turn outwards.",
        ),
    ]
    return [text for holds, text in texts if holds]


def _base_named(found: Stereo, name: str) -> float:
    return next(each.base_mm for each in found.candidates if each.name == name)
