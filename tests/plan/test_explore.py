"""Charts of the trade-offs: curves that follow from plans, axes with round numbers."""

import math
import re
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.plan.chart import Axis, Curve, Mark, chart, round_steps
from nearpair.plan.compute import plan
from nearpair.plan.drawing import Path
from nearpair.plan.explore import page, trades
from nearpair.plan.request import Camera, Rail, Request, Subject


@given(st.floats(-1e5, 1e5), st.floats(1e-4, 1e6))
@settings(deadline=None)
def test_axes_have_a_few_round_numbers(low, span):
    steps = round_steps(low, low + span)
    assert 1 <= len(steps) <= 9
    assert all(low - 1e-6 * span <= step <= low + span * (1 + 1e-6) for step in steps)
    if len(steps) > 2:
        apart = steps[1] - steps[0]
        assert round(apart / 10 ** math.floor(math.log10(apart) + 1e-9), 2) in (1, 2, 5)


def test_a_chart_puts_points_where_they_belong():
    drawn = chart("", Axis("x", 0, 10), Axis("y", 0, 100), [Curve([(0, 0), (10, 100)])], [Mark(5, "A")], [])
    axes = next(item for item in drawn.items if isinstance(item, Path))
    (top, corner, right) = axes.points
    curve = [item for item in drawn.items if isinstance(item, Path)][-1]
    assert curve.points == (corner, (right[0], top[1]))
    mark = next(item for item in drawn.items if isinstance(item, Path) and item.dashed)
    assert mark.points[0][0] == pytest.approx((corner[0] + right[0]) / 2)


def test_each_trade_off_of_a_mineral(mineral):
    base, limits, aperture = trades(mineral)
    named = dict(base.legend)
    assert named["P"] == "planned: 13 mm"
    assert any("one thirtieth" in text for text in named.values())
    assert limits.legend[0] == ("P", "planned: 20 mm")
    assert "f/8" in dict(aperture.legend)["P"]
    assert "f/8.4" in dict(aperture.legend)["A"]


def test_fewest_frames_are_where_the_chart_says(mineral):
    found = plan(mineral, "1")
    best = replace(mineral, camera=replace(mineral.camera, f_number=found.optics.balanced_f_number))
    frames = plan(best, "1").stack.frames
    for factor in (0.6, 0.8, 1.2, 1.35):
        other = replace(best, camera=replace(best.camera, f_number=factor * found.optics.balanced_f_number))
        assert plan(other, "1").stack.frames >= frames


@pytest.mark.parametrize(
    "request_",
    [
        Request(Camera(36, 24, 50), Subject(near_mm=2500, far_mm=math.inf)),
        Request(Camera(36, 24, 50), Subject(near_mm=2500, far_mm=3500)),
        Request(Camera(23.5, 15.6, 25), Subject(depth_mm=1, magnification=5), rail=Rail(division_mm=0.005)),
        Request(Camera(36, 24, 100), Subject(depth_mm=5, deepest_mm=9, magnification=1)),
    ],
)
def test_every_kind_of_plan_has_its_charts(request_):
    text = page(request_, "Shells <3>")
    assert text.count("<svg") == 3
    assert "Shells &lt;3&gt;" in text
    assert not re.search(r"nan|inf[^i]", " ".join(re.findall(r'points="([^"]*)"', text)))
    assert "<script" not in text
