"""What a plan is asked for: camera, subject, viewing, rail, and what is known of an earlier shoot."""

import math
from dataclasses import dataclass, field
from typing import Literal

from nearpair.errors import NearpairError
from nearpair.optics.checks import positive
from nearpair.optics.viewing import Viewing

Kind = Literal["rail", "ring"]
OVERLAP = 0.3
"""Share of the depth of field that neighbouring frames have in common, unless another is asked for."""
MOST_STATIONS = 5


@dataclass(frozen=True, slots=True)
class Camera:
    """Sensor and lens. Sizes in mm; `width_px` and `file_mb` of one frame, where known.

    `f_number`: number on the ring; None lets the plan choose. `largest_magnification`: what the lens can do
    as it is mounted; None: unknown. `from_what`: name of the test frame that said the f-number, or "".
    """

    sensor_width_mm: float
    sensor_height_mm: float
    focal_mm: float
    f_number: float | None = None
    pupil_ratio: float = 1.0
    largest_magnification: float | None = None
    width_px: int | None = None
    file_mb: float | None = None
    from_what: str = ""

    def __post_init__(self) -> None:
        for name in ("sensor_width_mm", "sensor_height_mm", "focal_mm", "pupil_ratio"):
            positive(name, getattr(self, name))
        for name in ("f_number", "largest_magnification", "width_px", "file_mb"):
            value = getattr(self, name)
            if value is not None:
                positive(name, value)


@dataclass(frozen=True, slots=True)
class Subject:
    """What is to be shot: its depth, and how large or how far away it is; lengths in mm.

    Either one of `magnification`, `field_width_mm`, `working_distance_mm` (from the entrance pupil to the
    plane of focus) with `depth_mm`, or `near_mm` and `far_mm` (from the entrance pupil, inf allowed).
    `deepest_mm`: the most the depth may be, if that is not certain.
    """

    depth_mm: float | None = None
    deepest_mm: float | None = None
    magnification: float | None = None
    field_width_mm: float | None = None
    working_distance_mm: float | None = None
    near_mm: float | None = None
    far_mm: float | None = None

    def __post_init__(self) -> None:
        for name in self.__dataclass_fields__:
            value = getattr(self, name)
            if value is not None and not (name == "far_mm" and value == math.inf):
                positive(name, value)
        if self.far_mm is not None and self.near_mm is not None and self.far_mm <= self.near_mm:
            raise NearpairError(
                f"The far limit must lie beyond the near one ({self.near_mm:g} mm), found {self.far_mm:g}.",
                "Give both as distances from the lens, the nearer one with --near.",
            )
        if self.deepest_mm is not None and self.depth_mm is not None and self.deepest_mm < self.depth_mm:
            raise NearpairError(
                f"The greatest depth must be at least the depth ({self.depth_mm:g} mm), "
                f"found {self.deepest_mm:g}.",
                "Give what is certain with --depth, and the most it may be with --deepest.",
            )


@dataclass(frozen=True, slots=True)
class Rail:
    """The rail: reading at the first frame, finest division, travel of both axes (None: unknown), all mm."""

    start_mm: float = 0.0
    division_mm: float = 0.01
    travel_mm: float | None = None
    base_travel_mm: float | None = None

    def __post_init__(self) -> None:
        positive("division_mm", self.division_mm, "mm")


@dataclass(frozen=True, slots=True)
class Effort:
    """Seconds from frame to frame, and how many frames one charge takes; None: a customary value."""

    frame_s: float | None = None
    battery_frames: int | None = None


@dataclass(frozen=True, slots=True)
class Earlier:
    """What the proof of an earlier shoot measured. Shares are of the width of a frame.

    `base_mm` as shot. `deviation_share` from near to far at that base. `magnification` and `depth_mm`, where
    they were known. `gaps`: missing slices; `widest_gap_steps`: the widest, in usual steps. `cut_near`,
    `cut_far`: a stack began or ended inside the subject. `range_arcmin`: depth the viewer got,
    `enough_arcmin`: how much is worth having.
    """

    name: str
    base_mm: float
    deviation_share: float
    magnification: float | None = None
    depth_mm: float | None = None
    gaps: int = 0
    widest_gap_steps: float = 2.0
    cut_near: bool = False
    cut_far: bool = False
    range_arcmin: float | None = None
    enough_arcmin: float | None = None


@dataclass(frozen=True, slots=True)
class Request:
    """Everything a plan depends on. `base_mm`: the base that will be used; None lets the plan choose."""

    camera: Camera
    subject: Subject
    viewing: Viewing = field(default_factory=Viewing)
    comfort: str = "one-degree"
    kind: Kind | None = None
    overlap: float = OVERLAP
    base_mm: float | None = None
    rail: Rail = field(default_factory=Rail)
    effort: Effort = field(default_factory=Effort)
    earlier: Earlier | None = None
