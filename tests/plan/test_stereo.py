"""Bases: published values and counter-examples, common practice, limits of comfort."""

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.errors import NearpairError
from nearpair.optics.base import base_for_deviation_mm
from nearpair.optics.viewing import Viewing
from nearpair.plan.compute import plan
from nearpair.plan.request import Camera, Earlier, Request, Subject

BINDING = ("behind the window", "customary depth", "roundness", "shared frame")


def base_of(found, name):
    return next(each.base_mm for each in found.stereo.candidates if each.name == name)


def test_the_smallest_of_the_binding_considerations_decides(mineral):
    found = plan(mineral, "1")
    least = min(base_of(found, name) for name in BINDING)
    assert [each.name for each in found.stereo.candidates if each.binds] == ["behind the window"]
    assert 0.9 * least <= found.stereo.base_mm <= least


def test_far_points_fill_just_what_is_comfortable_behind_the_window(mineral):
    exact = plan(replace(mineral, base_mm=base_of(plan(mineral, "1"), "behind the window")), "1")
    assert exact.stereo.far_arcmin == pytest.approx(60, abs=0.1)  # Lambooij et al. (2007): one degree
    assert exact.stereo.near_arcmin == 0
    most = plan(replace(mineral, base_mm=base_of(exact, "all comfortable depth")), "1")
    assert most.stereo.far_arcmin == pytest.approx(60, abs=0.1)
    assert most.stereo.near_arcmin == pytest.approx(-60, abs=0.1)
    assert most.stereo.comfortable
    beyond = plan(replace(mineral, base_mm=1.01 * most.stereo.base_mm), "1")
    assert not beyond.stereo.comfortable


def test_the_customary_base_agrees_with_the_general_formula_at_a_distance():
    """Bercovitz (1998): 1.2 mm on 36 mm, 50 mm, 1.5 m to infinity: 35.4 mm; less what the window costs."""
    camera = Camera(36, 24, 50)
    found = plan(Request(camera, Subject(near_mm=1500, far_mm=math.inf), kind="ring"), "1")
    assert base_for_deviation_mm(1.2, 1500, math.inf, 50) == pytest.approx(35.4)
    kept = 1 - base_of(found, "customary depth") * 50 / 1500 / 36
    assert base_of(found, "customary depth") == pytest.approx(35.4 * kept, rel=0.04)


def test_a_shallow_subject_gets_no_base_as_wide_as_its_field():
    """A. Klooswyk, Photo-3D list, 27 October 1999: 36.3 mm at life size on 36 x 24 mm, so no overlap."""
    request = Request(Camera(36, 24, 50, 8.0), Subject(near_mm=100, far_mm=110))
    with pytest.raises(NearpairError, match=r"share nothing, and cannot be matched.*--base 1[5-9]"):
        plan(replace(request, base_mm=36.3), "1")
    found = plan(request, "1")
    assert found.stereo.lost_share <= 0.25
    assert found.stereo.base_mm < 12


def test_what_a_refusal_of_a_base_proposes_works(mineral):
    with pytest.raises(NearpairError) as refused:
        plan(replace(mineral, base_mm=60), "1")
    proposed = float(refused.value.remedy.split("--base ")[1].split(";")[0])
    plan(replace(mineral, base_mm=proposed * 0.995), "1")


def test_common_practice_close_up():
    """A couple of centimetres for a subject the size of a hand (common practice, no source)."""
    found = plan(Request(Camera(36, 24, 100), Subject(depth_mm=60, field_width_mm=150)), "1")
    assert 8 <= found.stereo.base_mm <= 40


def test_common_practice_for_people():
    """A few decimetres for people (common practice, no source), before a wall, not before the horizon."""
    found = plan(Request(Camera(36, 24, 50), Subject(near_mm=3500, far_mm=4500)), "1")
    assert 100 <= found.stereo.base_mm <= 500


def test_the_rule_of_one_thirtieth_is_a_check_with_reasons(mineral):
    found = plan(mineral, "1").stereo
    assert found.thirtieth_mm == pytest.approx(found.window_mm / 30)
    assert any("shallow" in reason for reason in found.thirtieth_reasons)
    same = plan(replace(mineral, base_mm=found.thirtieth_mm), "1").stereo
    assert same.thirtieth_reasons == []


@given(st.floats(100, 5000), st.floats(250, 6000), st.sampled_from(["one-degree", "zone-of-comfort"]))
@settings(deadline=None, max_examples=40)
def test_far_points_never_ask_eyes_to_turn_outwards(width_mm, distance_mm, rule):
    seen = Viewing(width_mm, distance_mm)
    camera = Camera(36, 24, 50, 8.0 if width_mm < distance_mm else 2.8)
    request = Request(camera, Subject(near_mm=3000, far_mm=math.inf), seen, rule)
    try:
        found = plan(request, "1")
    except NearpairError as refused:  # a wide screen seen from near lets no blur pass
        assert "past diffraction" in refused.message  # noqa: PT017
        return
    far_mm = found.stereo.deviation_share * width_mm
    assert far_mm <= 50 * (1 + 1e-9)


def test_wider_framing_makes_up_for_the_window(mineral):
    found = plan(mineral, "1")
    field_mm = found.optics.field_width_mm * found.stereo.window_mm / found.optics.distance_mm
    assert found.stereo.shown_width_mm == pytest.approx(field_mm - found.stereo.base_mm)
    wider = found.stereo.wider_field_mm * found.stereo.window_mm / found.optics.distance_mm
    assert wider - found.stereo.base_mm == pytest.approx(field_mm)


def test_toe_in_by_hand():
    """2*x*y*tan(angle/2)/v in the corner of 36 x 24 mm, as an angle and in px."""
    request = Request(
        Camera(36, 24, 100, 5.6, width_px=6000), Subject(depth_mm=20, magnification=0.5), base_mm=10
    )
    found = plan(request, "1")
    angle = 2 * math.atan(5 / found.stereo.window_mm)
    assert math.radians(found.stereo.toe_in_deg) == pytest.approx(angle)
    expected_mm = 2 * 18 * 12 * math.tan(angle / 2) / 150
    assert found.stereo.toe_in_keystone_px == pytest.approx(expected_mm * 6000 / 36)
    assert found.stereo.toe_in_keystone_share == pytest.approx(expected_mm / 24)


def test_an_uncertain_depth_gives_several_stations(mineral):
    unsure = replace(mineral, subject=Subject(depth_mm=10, deepest_mm=40, magnification=0.5))
    found = plan(unsure, "1")
    shallow = plan(replace(mineral, subject=Subject(depth_mm=10, magnification=0.5)), "1")
    deep = plan(replace(mineral, subject=Subject(depth_mm=40, magnification=0.5)), "1")
    offsets = list(found.stations.values())
    assert offsets[0] == 0
    assert offsets[1] == deep.stereo.base_mm
    assert offsets[-1] == pytest.approx(shallow.stereo.base_mm, rel=0.1)
    assert 3 <= len(offsets) <= 5
    assert found.stack.frames == deep.stack.frames
    assert len(found.readings) == len(offsets) * found.stack.frames


def test_an_earlier_shoot_corrects_the_base(mineral):
    """Twice the depth that the formulas say takes half the base that fills what is comfortable."""
    said = plan(replace(mineral, base_mm=10), "1")
    share = 2 * said.stereo.deviation_on_sensor_mm / 36
    request = replace(mineral, earlier=Earlier("quartz", 10, share, magnification=0.5))
    found = plan(request, "1")
    assert found.stereo.corrected_by == pytest.approx(2)
    # not quite half: less of the frame goes to the window, so the same share is a little more deviation
    assert 0.5 < found.stereo.base_mm / base_of(plan(mineral, "1"), "behind the window") < 0.57
    assert "2 times as deep" in found.notes[0]


def test_an_earlier_shoot_framed_otherwise_corrects_no_base(mineral):
    earlier = Earlier("quartz", 10, 0.1, magnification=1.0, gaps=2, cut_far=True)
    found = plan(replace(mineral, earlier=earlier), "1")
    assert found.stereo.base_mm == plan(mineral, "1").stereo.base_mm
    assert any("framed otherwise" in note for note in found.notes)
    assert found.stack.frames > plan(mineral, "1").stack.frames + 2
    assert any("2 slices were missing" in note for note in found.notes)


def test_the_zone_of_comfort_is_wider_and_says_how_far_its_numbers_were_read(mineral):
    """Shibata et al. (2011), from memory: about two degrees either side at 0.6 m, one by the other rule."""
    degree, zone = plan(mineral, "1"), plan(replace(mineral, comfort="zone-of-comfort"), "1")
    assert zone.stereo.far_limit_arcmin == pytest.approx(2.11 * 60, rel=0.01)
    assert degree.stereo.far_limit_arcmin == pytest.approx(60)
    assert base_of(zone, "behind the window") > 1.5 * base_of(degree, "behind the window")
    assert any("from memory" in note for note in zone.notes)


@pytest.mark.parametrize("pupil_ratio", [0.4, 1.0, 1.8])
def test_deviation_for_any_pupil_is_that_of_a_pinhole_in_the_entrance_pupil(pupil_ratio):
    """A thing at distance Z is drawn m*u/Z as large: m in the plane of focus, u from the entrance pupil."""
    camera = Camera(36, 24, 100, 5.6, pupil_ratio)
    found = plan(Request(camera, Subject(depth_mm=10, magnification=0.5), base_mm=5), "1")
    distance = 100 * (1 / 0.5 + 1 / pupil_ratio)
    assert found.optics.distance_mm == pytest.approx(distance)
    drawn = [5 * 0.5 * distance / z for z in (found.stack.near_mm, found.stack.far_mm)]
    assert found.stereo.deviation_on_sensor_mm == pytest.approx(drawn[0] - drawn[1])
