"""A plan as data: plan.json, schema 1. Lengths in mm; `None` stands for what is not known."""

import math
from typing import Any, Literal

import msgspec

from nearpair.errors import refuse_newer

StackKind = Literal["rail", "ring", "single"]


class Optics(msgspec.Struct, frozen=True, kw_only=True):
    """The lens at work. `distance_mm` from the entrance pupil to the plane of focus; blur on the sensor."""

    sensor_width_mm: float
    sensor_height_mm: float
    focal_mm: float
    magnification: float
    field_width_mm: float
    distance_mm: float
    pupil_ratio: float
    f_number: float
    f_number_chosen: bool
    balanced_f_number: float
    largest_f_number: float
    effective_f_number: float
    exposure_loss_stops: float
    passing_blur_um: float
    diffraction_blur_um: float
    depth_of_field_mm: float
    hyperfocal_mm: float
    frame_width_px: int | None = None


class Stack(msgspec.Struct, frozen=True, kw_only=True):
    """One station's stack, in the order of its first pass: from near to far.

    `positions_mm`: readings of the rail (rail stack), or distances from the entrance pupil to focus on (ring
    stack; null is infinity). `reference_frame`: the frame, counted from 0, that all others are laid on. The
    subject reaches from `near_mm` to `far_mm` before the entrance pupil there.
    """

    kind: StackKind
    frames: int
    step_mm: float | None
    overlap: float
    travel_mm: float
    positions_mm: list[float | None]
    reference_frame: int
    near_mm: float
    far_mm: float | None
    subject_depth_mm: float | None
    clearance_mm: float


class Candidate(msgspec.Struct, frozen=True, kw_only=True):
    """A base that one consideration asks for or allows. `binds`: it decided."""

    name: str
    base_mm: float
    why: str
    binds: bool = False


class Stereo(msgspec.Struct, frozen=True, kw_only=True):
    """The stereo base and what comes of it. Shares are of the mounted width, angles signed like parallax."""

    base_mm: float
    base_given: bool
    candidates: list[Candidate]
    deviation_on_sensor_mm: float
    deviation_share: float
    deviation_px: float | None
    near_arcmin: float
    far_arcmin: float
    near_limit_arcmin: float
    far_limit_arcmin: float
    comfort_rule: str
    comfortable: bool
    roundness: float
    lost_share: float
    shown_width_mm: float
    wider_field_mm: float
    wider_magnification: float
    window_mm: float
    toe_in_deg: float
    toe_in_keystone_px: float | None
    toe_in_keystone_share: float
    thirtieth_mm: float
    thirtieth_reasons: list[str]
    corrected_by: float = 1.0


class Reading(msgspec.Struct, frozen=True, kw_only=True):
    """One frame to shoot. `position_mm` as in the stack (null: infinity); `base_mm` of the sideways axis."""

    number: int
    station: str
    frame: int
    base_mm: float
    position_mm: float | None
    is_reference: bool


class Effort(msgspec.Struct, frozen=True, kw_only=True):
    """What the shoot costs. `assumed`: what of it rests on customary values, in words."""

    frames: int
    minutes: float
    card_mb: float
    battery_share: float
    assumed: list[str]


SCHEMA = 1
"""The only form of `plan.json` so far."""


class Plan(msgspec.Struct, frozen=True, kw_only=True):
    """A whole plan."""

    schema: Literal[1] = 1
    version: str
    optics: Optics
    stack: Stack
    stereo: Stereo
    stations: dict[str, float]
    readings: list[Reading]
    effort: Effort
    screen_width_mm: float
    viewing_distance_mm: float
    eyes_mm: float
    notes: list[str]
    cautions: list[str]


def _finite(value: Any) -> Any:
    if isinstance(value, float):
        return float(f"{value:.9g}") if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, list):
        return [_finite(item) for item in value]
    return value


def encode(plan: Plan) -> bytes:
    """`plan` as indented JSON, floats to 9 significant digits; reads back with `decode`."""
    plain = _finite(msgspec.to_builtins(plan))
    return msgspec.json.format(msgspec.json.encode(msgspec.convert(plain, Plan)), indent=2) + b"\n"


class _Form(msgspec.Struct, frozen=True):
    """What tells the form of the rest; anything, for it may be of a newer program."""

    schema: object = None


def decode(data: bytes) -> Plan:
    """Read what `encode` wrote; raises `msgspec.DecodeError` if it is no plan.

    A plan that a newer nearpair wrote in a form of its own raises NewerVersionError.
    """
    refuse_newer("This plan", "schema", msgspec.json.decode(data, type=_Form).schema, SCHEMA)
    return msgspec.json.decode(data, type=Plan)
