"""The trade-offs around a plan, as charts on one page: base, near and far limit, aperture."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from markupsafe import Markup

from nearpair.errors import NearpairError
from nearpair.pages import templates
from nearpair.plan.chart import Axis, Curve, Mark, chart, shown
from nearpair.plan.compute import plan
from nearpair.plan.drawing import Drawing, svg
from nearpair.plan.model import Plan, Stereo
from nearpair.plan.phrases import f_number, mm
from nearpair.plan.request import Request, Subject

_POINTS = 48
_WIDEST = 3.0
"""The chart of bases reaches to so many times the planned one."""
PLANNED = "P"
"""Letter of the planned value in all charts."""


@dataclass(frozen=True, slots=True)
class Trade:
    """One chart with what it says, and what the letters on it stand for."""

    title: str
    text: str
    drawing: Drawing
    legend: list[tuple[str, str]]


def trades(request: Request) -> list[Trade]:
    """Vary one thing at a time around what was asked for. Raises NearpairError if the plan itself fails."""
    found = plan(request, "")
    free = replace(request, rail=replace(request.rail, travel_mm=None, base_travel_mm=None))
    return [_of_base(free, found), _of_limits(free, found), _of_aperture(free, found)]


def page(request: Request, title: str = "") -> str:
    """Return the charts as one self-contained HTML page without a script."""
    charts = [
        {"trade": each, "svg": Markup(svg(each.drawing))}  # noqa: S704 - its texts are escaped there
        for each in trades(request)
    ]
    template = templates("nearpair.plan").get_template("explore.html.j2")
    return template.render(title=title or "Trade-offs", charts=charts)


def _lettered(values: Sequence[tuple[str, float]], planned: float, axis: Axis) -> list[tuple[Mark, str]]:
    """Marks with letters in ascending order, and what they are; the planned value is P."""
    named = {f"{name}: {mm(value)}": value for name, value in values}
    marks = shown([Mark(value, name) for name, value in named.items()], axis)
    found = [(Mark(mark.value, chr(ord("A") + number)), mark.name) for number, mark in enumerate(marks)]
    return [*found, (Mark(planned, PLANNED, "warn"), f"planned: {mm(planned)}")]


def _of_base(request: Request, found: Plan) -> Trade:
    """Base against the depth that is seen, with what asks for it and what limits it."""
    stereo = found.stereo
    bases = [(f"{each.name} ({each.why})", each.base_mm) for each in stereo.candidates]
    most = min(1.1 * max(stereo.base_mm, *(base for _, base in bases)), _WIDEST * stereo.base_mm)
    tried = _stereos(request, (most * k / _POINTS for k in range(1, _POINTS + 1)))
    seen = [(0.0, 0.0), *((each.base_mm, each.far_arcmin - each.near_arcmin) for each in tried)]
    axis = Axis("stereo base, mm", 0, most)
    limit = stereo.far_limit_arcmin - stereo.near_limit_arcmin
    marks = _lettered(bases, stereo.base_mm, axis)
    drawing = chart(
        "Base against the depth that is seen",
        axis,
        Axis("depth seen, arcmin", 0, 1.1 * max(limit, seen[-1][1])),
        [Curve(seen, "accent")],
        [mark for mark, _ in marks],
        [
            Mark(stereo.far_limit_arcmin, "comfortable behind the window", "warn"),
            Mark(limit, "all that is comfortable", "warn"),
        ],
    )
    text = "Depth grows with the base. Where the curve ends, the two frames have too little in common."
    return Trade("Stereo base", text, drawing, [(mark.name, name) for mark, name in marks])


def _stereos(request: Request, bases: Iterable[float]) -> list[Stereo]:
    found: list[Stereo] = []
    for base in bases:
        try:
            found.append(plan(replace(request, base_mm=base), "").stereo)
        except NearpairError:
            break
    return found


def _of_limits(request: Request, found: Plan) -> Trade:
    """Depth of the subject (far limit at infinity: its near limit) against the base that suits it."""
    depth = found.stack.subject_depth_mm
    planned, name = (found.stack.near_mm, "near limit") if depth is None else (depth, "depth of the subject")
    points = []
    for k in range(6, 2 * _POINTS + 1):
        now = planned * k / _POINTS
        subject = replace(request.subject, near_mm=now) if depth is None else _deep(request.subject, now)
        try:
            tried = plan(replace(request, subject=subject, base_mm=None, earlier=None), "").stereo
        except NearpairError:
            continue
        points.append(
            (now, next(each.base_mm for each in tried.candidates if each.binds), tried.thirtieth_mm)
        )
    highest = max(max(base, rule) for _, base, rule in points)
    drawing = chart(
        f"{name} against the base that suits it",
        Axis(f"{name}, mm", 0, 2 * planned),
        Axis("stereo base, mm", 0, 1.15 * highest),
        [
            Curve([(now, base) for now, base, _ in points], "accent"),
            Curve([(now, rule) for now, _, rule in points], "soft", dashed=True),
        ],
        [Mark(planned, PLANNED, "warn")],
        [],
    )
    text = "The more depth between near and far limit, the smaller the base that fills what is comfortable."
    rule = "one thirtieth of the distance of the near limit"
    legend = [(PLANNED, f"planned: {mm(planned)}"), ("dashed", rule)]
    return Trade("Near and far limit", text, drawing, legend)


def _deep(subject: Subject, depth_mm: float) -> Subject:
    if subject.near_mm is not None:
        return Subject(near_mm=subject.near_mm, far_mm=subject.near_mm + depth_mm)
    return replace(subject, depth_mm=depth_mm, deepest_mm=None)


def _of_aperture(request: Request, found: Plan) -> Trade:
    """Frames a station against the f-number, up to where diffraction leaves nothing."""
    optics = found.optics
    points: list[tuple[float, float]] = []
    for k in range(3, _POINTS + 1):
        number = 0.994 * optics.largest_f_number * k / _POINTS
        try:
            tried = plan(replace(request, camera=replace(request.camera, f_number=number)), "")
        except NearpairError:  # a step finer than the rail's division
            continue
        points.append((number, float(tried.stack.frames)))
    least = min(frames for _, frames in points)
    drawing = chart(
        "Aperture against frames",
        Axis("f-number on the ring", 0, 1.1 * optics.largest_f_number),
        Axis("frames a station", 0, math.ceil(5 * max(least, 2))),
        [Curve(points, "accent")],
        [
            Mark(optics.f_number, PLANNED, "warn"),
            Mark(optics.balanced_f_number, "A"),
            Mark(optics.largest_f_number, "B"),
        ],
        [],
    )
    legend = [
        ("A", f"fewest frames: f/{optics.balanced_f_number:.2g}, both blur alike"),
        ("B", f"past diffraction: from f/{optics.largest_f_number:.2g} on nothing is sharp enough"),
        (PLANNED, f"planned: {f_number(optics.f_number)}"),
    ]
    text = "A wider aperture has less depth of field, a smaller one leaves less room for defocus."
    return Trade("Aperture", text, drawing, legend)
