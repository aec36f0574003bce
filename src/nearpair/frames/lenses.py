"""What a lens does to straight lines, as a general database of lenses knows it: extra `nearpair[lens]`.

The database is that of lensfun, read through lensfunpy; its models of distortion stand in
`geometry.distortion`. It has them by focal length only, as measured on things far away; there is no distance
in them, so that close up a lens may differ from what it says.
"""

import math
import re
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np

from nearpair.frames.metadata import FrameInfo
from nearpair.geometry.distortion import Distortion, Model

INSTALL = 'Install it with `pip install "nearpair[lens]"`.'
# Shapes of pictures that lenses were measured on: the library reckons with them, but does not tell them.
_SHAPES, _SAME_PX = (3 / 2, 4 / 3, 16 / 9, 1.0, 5 / 4), 0.05
_FOCAL_OFF = 0.03
_MODELS: dict[str, Model] = {"POLY3": "poly3", "POLY5": "poly5", "PTLENS": "ptlens"}


@dataclass(frozen=True, slots=True)
class Known:
    """A lens of the database: its name there, and its distortion at the focal length of the frames."""

    name: str
    focal_mm: float
    distortion: Distortion


@dataclass(frozen=True, slots=True)
class Unknown:
    """Why there is no profile, as a sentence, and what to do."""

    reason: str
    remedy: str


def profile_of(frame: FrameInfo, named: str | None = None) -> Known | Unknown:
    """Find the lens of a frame by its metadata, or by its name in the database or a part of that.

    Unknown where the library is not installed, the frame does not say, or no lens, or several, fit.
    """
    try:
        import lensfunpy
    except ImportError:
        return Unknown("The database of lenses is not installed.", INSTALL)
    asked = named or frame.lens
    if not asked:
        return Unknown("The frames do not say which lens they were taken with.", _NAME_IT)
    database = _database()
    crop = _crop(database, frame)
    if crop is None:
        reason = "The size of the sensor is not known, neither from the frames nor by the camera's name."
        return Unknown(reason, "Take frames that say their focal length as 35 mm equivalent.")
    lenses = _lenses(database, frame, asked, is_name=named is not None)
    if not lenses:
        return Unknown(f'The database of lenses has no "{asked}".', _NAME_IT)
    lenses = [lens for lens in lenses if _has_focal(lens, frame.focal_length_mm)]
    if not lenses:
        at = f"{frame.focal_length_mm:g} mm" if frame.focal_length_mm else "a focal length the frames tell"
        return Unknown(f'The database of lenses has "{asked}", but not at {at}.', _NAME_IT)
    if len({lens.model for lens in lenses}) > 1:
        some = ", ".join(sorted({f'"{lens.model}"' for lens in lenses})[:4])
        return Unknown(f'The database of lenses has several that fit "{asked}": {some}.', _NAME_IT)
    # the calibration on the sensor nearest in size, but none smaller than this one, which would end too early
    lens = min(lenses, key=lambda one: (one.crop_factor > crop * 1.03, abs(one.crop_factor - crop)))
    return _known(lensfunpy, lens, crop, frame)


@cache
def _database() -> Any:
    """The whole database, read once: that takes longer than all questions to it."""
    import lensfunpy

    return lensfunpy.Database()


_NAME_IT = "Name it with `--lens NAME`, as the database has it, or leave it at `--lens never`."


def _crop(database: Any, frame: FrameInfo) -> float | None:
    """Diagonal of the 35 mm frame over that of the sensor."""
    found = database.find_cameras(frame.make or None, frame.model) if frame.model else []
    if found:
        return float(found[0].crop_factor)
    if frame.focal_length_mm and frame.focal_length_35mm:
        return frame.focal_length_35mm / frame.focal_length_mm
    return None


def _lenses(database: Any, frame: FrameInfo, asked: str, *, is_name: bool) -> list[Any]:
    """Lenses whose name fits best, with a distortion."""
    found = list(database.find_cameras(frame.make or None, frame.model)) if frame.model else []
    lenses = database.find_lenses(found[0], None, asked) if found and not is_name else []
    if not lenses:
        words = _words(asked)
        lenses = [lens for lens in database.lenses if words and words <= _words(f"{lens.maker} {lens.model}")]
        whole = [lens for lens in lenses if _words(lens.model) == words]
        lenses = whole or lenses
    else:
        lenses = [lens for lens in lenses if lens.model == lenses[0].model]
    return [lens for lens in lenses if lens.calib_distortion]


def _words(name: str) -> set[str]:
    """The words and numbers of a lens' name, as makers and databases write them differently."""
    return set(re.findall(r"[a-z]+|[0-9]+(?:\.[0-9]+)?", name.lower())) - {"mm", "f"}


def _has_focal(lens: Any, focal_mm: float | None) -> bool:
    if not focal_mm or not lens.min_focal:
        return focal_mm is not None
    longest = lens.max_focal or lens.min_focal
    return bool(lens.min_focal * (1 - _FOCAL_OFF) <= focal_mm <= longest * (1 + _FOCAL_OFF))


def _known(library: Any, lens: Any, crop: float, frame: FrameInfo) -> Known | Unknown:
    focal_mm = float(frame.focal_length_mm or lens.min_focal)
    found = lens.interpolate_distortion(focal_mm)
    model = None if found is None else _MODELS.get(found.model.name)
    if found is None or model is None:
        return Unknown(f'The database of lenses has no distortion of "{lens.model}".', _NAME_IT)
    first, second, third = (float(term) for term in found.terms)
    for shape in _SHAPES:
        unit_px = _unit_px(shape, crop / lens.crop_factor, frame.size_px)
        distortion = Distortion(model, (first, second, third), unit_px)
        if _agrees(library, lens, crop, focal_mm, distortion, frame):
            return Known(str(lens.model), focal_mm, distortion)
    return Unknown(f'The profile of "{lens.model}" is of a kind that is not used here.', _NAME_IT)


def _unit_px(shape: float, crops: float, size_px: tuple[int, int]) -> float:
    """Half the short side of the sensor that the lens was measured on, in px of these pictures."""
    return crops * math.hypot(size_px[0] - 1, size_px[1] - 1) / 2 / math.hypot(shape, 1.0)


def _agrees(
    library: Any, lens: Any, crop: float, focal_mm: float, distortion: Distortion, frame: FrameInfo
) -> bool:
    """Whether the library puts a corner and a side where the formula does."""
    height, width = frame.size_px
    modifier = library.Modifier(lens, crop, width, height)
    modifier.initialize(
        focal_mm,
        frame.f_number or 8.0,
        (frame.focus_distance_mm or 1e6) / 1000,
        scale=1.0,
        flags=library.ModifyFlags.DISTORTION,
    )
    for x, y in ((0, 0), (0, height // 2)):
        there = modifier.apply_geometry_distortion(x, y, 1, 1)
        ours = distortion.bent(np.array([x, y], np.float64), frame.size_px)
        if there is None or np.max(np.abs(there[0, 0] - ours)) > _SAME_PX * max(frame.size_px) / 1000:
            return False
    return True
