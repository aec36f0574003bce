"""The proof of a mounted pair as data: proof.json, schema 1.

Signs: parallax = x_right - x_left on the mounted pair, in px, mm on the screen or arcmin, so negative is
in front of the stereo window and positive behind it. Frame numbers count from 0 in shooting order.
`None` (JSON null) stands for what could not be measured; NaN and infinity never appear.
"""

import math
from typing import Any, Literal

import msgspec
import numpy as np

from nearpair.errors import refuse_newer
from nearpair.proof.model_advice import Finding, Fixed, Verdict
from nearpair.proof.model_capture import LocalShifts, SpoiltFrame
from nearpair.proof.model_look import Colour, Comfort, Depth, Edges, Seen
from nearpair.proof.model_pairs import Candidate, NextBase
from nearpair.proof.model_retouch import Retouched

Order = Literal["far-to-near", "near-to-far", "unknown"]
Kind = Literal["rail", "ring", "single"]


class OrderCue(msgspec.Struct, frozen=True, kw_only=True):
    """One reason for the shooting order of a stack: the cue, the order it speaks for, its weight."""

    cue: str
    says: str
    weight: float


class Registration(msgspec.Struct, frozen=True, kw_only=True):
    """How far the frames of a stack had to be moved onto the reference frame (largest amounts)."""

    scale_total: float = 1.0
    shift_px_max: float = 0.0
    roll_deg_max: float = 0.0
    set_aside_frames: list[str] = []


class FocusGap(msgspec.Struct, frozen=True, kw_only=True):
    """A place where neighbouring frames do not meet: after which frame, and how wide in usual steps."""

    after_frame: int
    width_steps: float | None = None
    unsharp_fraction: float | None = None


class Focus(msgspec.Struct, frozen=True, kw_only=True):
    """What the stack covers in depth.

    `covered_fraction`: share of the picture that some frame shows sharp. `starts_sharp` / `ends_sharp`: the
    first / last frame is still the sharpest one for a considerable part of the picture, so the stack may
    have begun or ended inside the subject. `share_per_frame`: share of the picture each frame is
    sharpest for.
    """

    covered_fraction: float
    gaps: list[FocusGap] = []
    starts_sharp: bool | None = None
    ends_sharp: bool | None = None
    share_per_frame: list[float] = []


class DepthOfField(msgspec.Struct, frozen=True, kw_only=True):
    """What depth of field cost a station of one frame: the share of the picture that is not sharp."""

    unsharp_fraction: float | None = None


class Station(msgspec.Struct, frozen=True, kw_only=True):
    """One station: its frames in shooting order and what was found out about them."""

    name: str
    frames: list[str]
    order: Order
    kind: Kind
    order_confidence: float
    order_evidence: list[OrderCue] = []
    reference_frame: int = 0
    registration: Registration = Registration()
    focus: Focus
    depth_of_field: DepthOfField | None = None
    offset_mm: float | None = None
    spoilt: list[SpoiltFrame] = []


class SetAside(msgspec.Struct, frozen=True, kw_only=True):
    """A file that was not used, and why; `doubled`: the same exposure is used from another file."""

    file: str
    reason: str
    doubled: bool = False


class EyeCue(msgspec.Struct, frozen=True, kw_only=True):
    """One reason for which station is the left eye: the cue, the station it names, its weight."""

    cue: str
    left: str
    weight: float
    detail: str = ""


class Eyes(msgspec.Struct, frozen=True, kw_only=True):
    """Which station is which eye of the viewer, how sure, and what contradicts it."""

    left: str
    right: str
    confidence: float
    evidence: list[EyeCue] = []
    contradiction: str | None = None


class Residual(msgspec.Struct, frozen=True, kw_only=True):
    """Vertical parallax left after mounting, over matched points, px."""

    rms: float | None
    p95: float | None


class LensProfile(msgspec.Struct, frozen=True):
    """The distortion of the lens as a database of lenses knows it, and what was done about it.

    `name`: of the lens in the database; null where it is not known, and then `note` says why. `model`,
    `terms`, `unit_px`: as in `geometry.distortion`. `largest_px`: the largest displacement in a view.
    """

    name: str | None = None
    focal_mm: float | None = None
    model: Literal["poly3", "poly5", "ptlens"] | None = None
    terms: tuple[float, float, float] = (0.0, 0.0, 0.0)
    unit_px: float | None = None
    largest_px: float = 0.0
    taken_out: bool = False
    note: str = ""


class ViewsLight(msgspec.Struct, frozen=True, kw_only=True):
    """How the light of the two views differed as they were shot, and whether mounting evened it.

    `stops` and `white_balance_shift`: as in `Capture`, in the colour space of the frames. `agreeing_share`:
    share of the parts of the picture that show the same difference. `left_gains`, `right_gains`: what the
    linear light of each view was multiplied by, red, green and blue. `note`: why it was, or was not, evened.
    Null where it could not be measured.
    """

    stops: float | None = None
    white_balance_shift: float | None = None
    agreeing_share: float | None = None
    evened: bool = False
    left_gains: tuple[float, float, float] = (1.0, 1.0, 1.0)
    right_gains: tuple[float, float, float] = (1.0, 1.0, 1.0)
    note: str = ""


class Mounting(msgspec.Struct, frozen=True, kw_only=True):
    """What was done to the pair: the right view was turned, scaled and raised onto the left one.

    `keystone_px`: what yaw and pitch of the right camera shifted vertically in the corners, and was taken
    out. `yaw_deg`, `pitch_deg`: the same as angles by which the picture was turned back, null where the focal
    length is not known. `base_slope_deg`: slope of the stereo base against the rows; both views were turned
    by its opposite. `floating_px`: by how much a floating window brings the left and the right side forward.
    `window_rule`, `crop_rule`: by which rules window and crop were found, in words. `base_share`: share of
    the stereo base as shot from which the right picture is seen; `filled_share` of it neither view showed.
    `lens`: what distortion was taken out of both views first; all px are of the views without it. `light`: by
    how much the views differed in brightness and colour, and whether that was evened.
    """

    rotation_deg: float
    scale: float
    vertical_px: float
    shift_px: float
    window_point_px: tuple[float, float] | None
    crop_px: tuple[int, int, int, int]
    residual_vertical_px: Residual
    keystone_px: tuple[float, float] = (0.0, 0.0)
    yaw_deg: float | None = None
    pitch_deg: float | None = None
    base_slope_deg: float = 0.0
    floating_px: tuple[int, int] = (0, 0)
    window_rule: str = ""
    crop_rule: str = ""
    base_share: float = 1.0
    filled_share: float = 0.0
    lens: LensProfile | None = None
    light: ViewsLight | None = None


class Length(msgspec.Struct, frozen=True, kw_only=True):
    """A length of the shoot, mm: what is reckoned with, what was stated, what everything else says it was.

    Errors are two standard errors: 19 of 20 true values lie within.
    """

    used_mm: float
    error_mm: float
    stated_mm: float | None = None
    measured_mm: float | None = None
    measured_error_mm: float | None = None
    contradicted: bool = False


class Metric(msgspec.Struct, frozen=True, kw_only=True):
    """The pair in mm, as far as what was stated about the shoot tells; null where it does not.

    `near_mm` and `far_mm`: depth behind (negative: in front of) the stereo window of the 1st and 99th
    percentile of the parallax. `distance_mm`: of the window from the entrance pupil. `..._mm_per_px`: size of
    a pixel of the mounted pair in a plane, known to `scale_error_share`. Errors are two standard errors.
    """

    base: Length | None = None
    step: Length | None = None
    one_of_two: bool = False
    """Base and step contradict each other, and nothing tells which is wrong; each `measured_mm` is what it
    was if the other is right."""
    near_mm: float | None = None
    far_mm: float | None = None
    range_mm: float | None = None
    range_error_mm: float | None = None
    distance_mm: float | None = None
    distance_error_mm: float | None = None
    window_mm_per_px: float | None = None
    near_mm_per_px: float | None = None
    far_mm_per_px: float | None = None
    scale_error_share: float | None = None
    rests_on: list[str] = []


class Capture(msgspec.Struct, frozen=True, kw_only=True):
    """Differences between the two views as shot, over matched points, in linear light.

    `exposure_ratio`: right over left. `white_balance_shift`: largest of red/green and blue/green changes,
    right over left, as a ratio away from 1. `left_over_stops` and `left_over_shift`: the same of the mounted
    pair, where its views were evened; null where they are as shot. `unsharp_share`: largest share of a view
    that is not sharp.
    `sharpness_by_depth`: fine detail, right over left, log2, by twentieths of the depth, nearest first.
    `one_sided_share` of the matched places with texture has less than a quarter of the detail in one view.
    `highlights_one_eye_share` of the matched places is bright for one eye only.
    """

    exposure_ratio: float | None
    exposure_stops: float | None
    white_balance_shift: float | None
    left_over_stops: float | None = None
    left_over_shift: float | None = None
    matched_share: float
    covered_fraction: float | None
    unsharp_share: float | None
    gaps: int
    sharpness_by_depth: list[float] = []
    one_sided_share: float | None = None
    highlights_one_eye_share: float | None = None


class Picture(msgspec.Struct, frozen=True, kw_only=True):
    """Size of the mounted pictures, px."""

    width_px: int
    height_px: int


SCHEMA = 1
"""The only form of `proof.json` so far."""


class Proof(msgspec.Struct, frozen=True, kw_only=True):
    """The measured audit of a mounted pair."""

    schema: Literal[1] = 1
    version: str
    picture: Picture
    stations: list[Station]
    set_aside: list[SetAside]
    eyes: Eyes
    mounting: Mounting
    depth: Depth
    metric: Metric | None = None
    comfort: Comfort
    seen: Seen | None = None
    colour: Colour
    capture: Capture
    edges: Edges
    local_shifts: LocalShifts | None = None
    dust_px: list[tuple[int, int]] = []
    candidates: list[Candidate] = []
    next_base: NextBase | None = None
    advice: list[Finding]
    verdict: Verdict
    fixed: Fixed | None = None
    retouches: list[Retouched] = []
    notes: list[str] = []


def _finite(value: Any) -> Any:
    """Builtin data with floats cut to 6 significant digits and NaN or infinity turned to None."""
    if isinstance(value, float):
        return float(f"{value:.6g}") if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(item) for item in value]
    return value


def _number(value: object) -> object:
    """Turn a NumPy number into Python's own."""
    if isinstance(value, np.generic):
        return value.item()
    raise NotImplementedError(f"{type(value)} cannot stand in a proof")


def encode(proof: Proof) -> bytes:
    """`proof` as indented JSON: keys in the declared order, floats to 6 significant digits.

    Raises `msgspec.ValidationError` when a value that must be a number is NaN or infinite: such a file
    could not be read back.
    """
    plain = _finite(msgspec.to_builtins(proof, enc_hook=_number))
    return msgspec.json.format(msgspec.json.encode(msgspec.convert(plain, Proof)), indent=2) + b"\n"


class _Form(msgspec.Struct, frozen=True):
    """What tells the form of the rest; anything, for it may be of a newer program."""

    schema: object = None


def decode(data: bytes) -> Proof:
    """Read what `encode` wrote, ignoring unknown keys; raises `msgspec.DecodeError` if it is no proof.

    A proof that a newer nearpair wrote in a form of its own raises NewerVersionError.
    """
    refuse_newer("This proof", "schema", msgspec.json.decode(data, type=_Form).schema, SCHEMA)
    return msgspec.json.decode(data, type=Proof)
