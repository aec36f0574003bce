"""The set-up seen from above, to scale: both camera places, the rail, the subject, the stereo window."""

import math
from dataclasses import dataclass

from nearpair.plan.drawing import Drawing, Path, Words
from nearpair.plan.model import Plan
from nearpair.plan.phrases import mm
from nearpair.plan.stack import image_distance_mm

_FAR_CUT = 2.0
"""A far limit beyond this many near distances is drawn as an open end."""


@dataclass(frozen=True, slots=True)
class _View:
    """From mm (x along the axis, y sideways, origin midway between the two pupils) to the sheet.

    `text`: size of text; `foot`: below the drawing itself, where labels begin.
    """

    scale: float
    x0: float
    y0: float
    text: float
    foot: float

    def at(self, x: float, y: float) -> tuple[float, float]:
        return self.x0 + x * self.scale, self.y0 + y * self.scale

    def line(self, number: int) -> float:
        """Base line of a label's line below the drawing."""
        return self.foot + (1.2 + 1.35 * number) * self.text


@dataclass(frozen=True, slots=True)
class _Extent:
    """What has to be drawn, mm: image distance, travel, limits as drawn, half the width at its widest."""

    image: float
    travel: float
    near: float
    far: float
    is_open: bool
    half: float


def diagram(plan: Plan, width: float, text: float, tallest: float) -> Drawing:
    """Draw the set-up at the reference frame: `width` wide, as tall as it takes, with text of this size."""
    found = _extent(plan)
    view = _view(found, width, text, tallest)
    items = [
        *_fields(plan, found, view),
        *_subject(plan, found, view),
        *_labels(found, view),
        *_cameras(plan, found, view),
        *_rail(plan, found, view),
    ]
    title = (
        f"Set-up from above: two camera places {mm(plan.stereo.base_mm)} apart, subject "
        f"{mm(plan.stack.near_mm)} away at its nearest"
    )
    return Drawing(width, view.line(3 if found.travel else 1) + 0.6 * text, title, items)


def _extent(plan: Plan) -> _Extent:
    stack = plan.stack
    far = math.inf if stack.far_mm is None else stack.far_mm
    drawn = min(far, _FAR_CUT * stack.near_mm)
    image = image_distance_mm(plan.optics, stack)
    sensor = plan.optics.sensor_width_mm
    half = max(drawn * sensor / image, sensor) / 2 + plan.stereo.base_mm / 2
    travel = stack.travel_mm if stack.kind == "rail" else 0.0
    return _Extent(image, travel, stack.near_mm, drawn, far > drawn, half)


def _view(found: _Extent, width: float, text: float, tallest: float) -> _View:
    along = found.image + found.travel + found.far
    side, top = 1.5 * text, 2.2 * text
    scale = min((width - 2 * side) / along, (tallest - top - 6 * text) / (2 * found.half))
    x0 = side + (width - 2 * side - along * scale) / 2 + (found.image + found.travel) * scale
    return _View(scale, x0, top + found.half * scale, text, top + 2 * found.half * scale)


def _pupils(plan: Plan) -> tuple[tuple[float, bool], tuple[float, bool]]:
    """Sideways place of each pupil (the left one above, for whoever looks right), and whether dashed."""
    return (-plan.stereo.base_mm / 2, False), (plan.stereo.base_mm / 2, True)


def _fields(plan: Plan, found: _Extent, view: _View) -> list[Path]:
    slope = plan.optics.sensor_width_mm / (2 * found.image)
    return [
        Path((view.at(0, y), view.at(found.far, y + side * slope * found.far)), "soft", 0.2, dashed)
        for y, dashed in _pupils(plan)
        for side in (-1, 1)
    ]


def _subject(plan: Plan, found: _Extent, view: _View) -> list[Path]:
    # what both cameras show of the near end is the stereo window
    shared = (plan.optics.sensor_width_mm / found.image * found.near - plan.stereo.base_mm) / 2
    near, far = ((view.at(x, -shared), view.at(x, shared)) for x in (found.near, found.far))
    return [
        Path((near[0], far[0], far[1], near[1]), "accent", 0.3, filled=True),
        Path(near, "accent", 0.9),
        *(
            Path((end[1], (end[0][0], view.line(number) - 0.9 * view.text)), "soft", 0.2, dashed=True)
            for number, end in enumerate((near, far))
        ),
    ]


def _labels(found: _Extent, view: _View) -> list[Words]:
    near, far = view.at(found.near, 0)[0], view.at(found.far, 0)[0]
    behind = (
        "all that lies behind"
        if found.is_open
        else f"depth {mm(found.far - found.near)}, far {mm(found.far)}"
    )
    return [
        Words(near, view.line(0), f"near = window {mm(found.near)}", view.text, "end", "accent"),
        Words(far, view.line(1), behind, view.text, "end", "accent"),
    ]


def _cameras(plan: Plan, found: _Extent, view: _View) -> list[Path | Words]:
    half = plan.optics.sensor_width_mm / 2
    items: list[Path | Words] = []
    for y, dashed in _pupils(plan):
        sensor = (view.at(-found.image, y - half), view.at(-found.image, y + half))
        items += [
            Path(sensor, "ink", 0.9, dashed),
            Path((sensor[0], view.at(0, y), sensor[1]), "ink", 0.3, dashed),
            Path((view.at(0, y - half / 2), view.at(0, y + half / 2)), "ink", 0.5, dashed),
        ]
    left, right = view.at(0, -plan.stereo.base_mm / 2), view.at(0, plan.stereo.base_mm / 2)
    top = view.at(0, -half - plan.stereo.base_mm / 2)[1] - 0.5 * view.text
    name = "base" if len(plan.stations) == 2 else "narrowest base"
    words = f"{name} {mm(plan.stereo.base_mm)}"
    x = max(left[0], 0.3 * len(words) * view.text)
    return [*items, Path((left, right), "warn", 0.9), Words(x, top, words, view.text, "middle", "warn")]


def _rail(plan: Plan, found: _Extent, view: _View) -> list[Path | Words]:
    if not found.travel:
        return []
    y, tick = view.line(2) - 0.4 * view.text, view.text / 3
    first, last = view.at(-found.travel, 0)[0], view.at(0, 0)[0]
    positions = [each for each in plan.stack.positions_mm if each is not None]
    words = f"rail from {positions[0]:g} to {positions[-1]:g} mm"
    middle = max((first + last) / 2, 0.28 * len(words) * view.text)
    return [
        Path(((first, y), (last, y)), "ink", 0.5),
        *(Path(((x, y - tick), (x, y + tick)), "ink", 0.5) for x in (first, last)),
        Words(middle, view.line(3), words, view.text, "middle"),
    ]
