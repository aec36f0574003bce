"""Stacks: steps, readings, order, and what no rail does."""

import math
from dataclasses import replace

import pytest

from nearpair.errors import NearpairError
from nearpair.optics import lens
from nearpair.plan.compute import plan
from nearpair.plan.model import decode, encode
from nearpair.plan.readings import table
from nearpair.plan.request import Camera, Effort, Rail, Request, Subject


def test_a_rail_stack_covers_the_subject_with_a_frame_to_spare_at_both_ends(mineral):
    found = plan(mineral, "1")
    stack = found.stack
    assert stack.kind == "rail"
    assert stack.step_mm <= 0.7 * found.optics.depth_of_field_mm
    spare = (stack.travel_mm - 20) / 2
    assert stack.step_mm <= spare <= 1.5 * stack.step_mm + 1e-9
    # at the reference frame, the last, the camera focuses this far behind the far end
    assert found.optics.distance_mm - stack.far_mm == pytest.approx(spare)
    assert stack.far_mm - stack.near_mm == pytest.approx(20)


def test_depth_of_field_counts_diffraction(mineral):
    """What is left of the blur that passes, put into the close-up form (Conrad 2004/2006)."""
    optics = plan(mineral, "1").optics
    left = math.sqrt(optics.passing_blur_um**2 - optics.diffraction_blur_um**2) / 1000
    assert optics.depth_of_field_mm == pytest.approx(
        lens.close_up_depth_mm(optics.f_number, left, 0.5), rel=1e-3
    )


def test_no_other_aperture_takes_fewer_frames(mineral):
    best = plan(mineral, "1")
    numbers = [best.optics.f_number * 2 ** (k / 6) for k in (-4, -2, -1, 1, 2)]
    others = [plan(replace(mineral, camera=replace(mineral.camera, f_number=n)), "1") for n in numbers]
    assert min(other.stack.frames for other in others) >= best.stack.frames


def test_past_diffraction_is_refused_with_what_works(mineral):
    with pytest.raises(NearpairError, match="past diffraction") as refused:
        plan(replace(mineral, camera=replace(mineral.camera, f_number=22)), "1")
    smallest = float(refused.value.remedy.split()[0].removeprefix("f/"))
    plan(replace(mineral, camera=replace(mineral.camera, f_number=smallest)), "1")


def test_stations_are_shot_out_and_back(mineral):
    found = plan(mineral, "1")
    frames = found.stack.frames
    assert [each.number for each in found.readings] == list(range(1, 2 * frames + 1))
    assert [each.frame for each in found.readings] == [*range(frames), *reversed(range(frames))]
    assert [each.station for each in found.readings] == ["left"] * frames + ["right"] * frames
    assert {each.base_mm for each in found.readings[frames:]} == {found.stereo.base_mm}
    assert [each.number for each in found.readings if each.is_reference] == [frames, frames + 1]
    steps = [b.position_mm - a.position_mm for a, b in zip(found.readings, found.readings[1:], strict=False)]
    assert steps[: frames - 1] == pytest.approx([found.stack.step_mm] * (frames - 1))
    assert steps[frames - 1] == 0


def test_readings_begin_where_the_rail_stands(mineral):
    found = plan(replace(mineral, rail=Rail(start_mm=30, division_mm=0.1)), "1")
    assert found.readings[0].position_mm == 30
    assert (found.stack.step_mm * 10) % 1 == pytest.approx(0)


def test_a_ring_stack_says_where_to_focus(mineral):
    found = plan(replace(mineral, kind="ring"), "1")
    assert found.stack.kind == "ring"
    assert found.stack.reference_frame == 0
    distances = found.stack.positions_mm
    assert distances == sorted(distances)
    assert distances[1] == pytest.approx(found.stack.near_mm)
    assert distances[-3] <= found.stack.far_mm <= distances[-2]


def test_a_flat_subject_takes_one_frame():
    found = plan(Request(Camera(36, 24, 50, 8.0), Subject(near_mm=9000, far_mm=10000)), "1")
    assert found.stack.kind == "single"
    assert len(found.readings) == 2


def test_a_landscape_ends_at_the_hyperfocal_distance():
    found = plan(Request(Camera(36, 24, 50, 8.0), Subject(near_mm=2000, far_mm=math.inf)), "1")
    assert found.stack.kind == "ring"
    assert found.stack.positions_mm[-1] == pytest.approx(found.optics.hyperfocal_mm, rel=1e-6)


def test_five_times_life_size():
    request = Request(
        Camera(23.5, 15.6, 25), Subject(depth_mm=1, magnification=5), rail=Rail(division_mm=0.001)
    )
    found = plan(request, "1")
    assert found.optics.distance_mm == pytest.approx(30)
    assert found.stereo.base_mm < 4.7 / 4
    assert 10 < found.stack.frames < 400


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"rail": Rail(travel_mm=10)}, r"Up to [\d.]+ mm of depth fit"),
        ({"rail": Rail(division_mm=5)}, "finer than the rail's division"),
        ({"rail": Rail(base_travel_mm=5)}, "Plan with --base 5"),
        ({"subject": Subject(depth_mm=300, magnification=0.5)}, "would run into the subject"),
        ({"subject": Subject(near_mm=300, far_mm=math.inf), "kind": "rail"}, "No rail reaches infinity"),
    ],
)
def test_what_no_rail_does_is_refused(mineral, change, said):
    with pytest.raises(NearpairError, match=said):
        plan(replace(mineral, **change), "1")


def test_effort_by_hand(mineral):
    camera = replace(mineral.camera, file_mb=40)
    found = plan(replace(mineral, camera=camera, effort=Effort(10, 200)), "1")
    frames = 2 * found.stack.frames
    assert found.effort.minutes == pytest.approx((10 * frames + 60) / 60)
    assert found.effort.card_mb == 40 * frames
    assert found.effort.battery_share == frames / 200
    assert found.effort.assumed == []
    assert len(plan(mineral, "1").effort.assumed) == 3


def test_cautions_name_rail_lamps_and_eyes(mineral):
    text = " ".join(plan(mineral, "1", with_motor=True).cautions)
    for word in ("pinch fingers", "Lamps get hot", "eyes sting", "comes within", "tip it"[:3]):
        assert word in text
    assert "pinch" not in " ".join(plan(mineral, "1").cautions)


def test_plans_read_back_the_same(mineral):
    found = plan(mineral, "1")
    assert encode(decode(encode(found))) == encode(found)


def test_the_table_for_spreadsheets(mineral):
    import csv
    import io

    found = plan(mineral, "1")
    rows = list(csv.DictReader(io.StringIO(table(found.readings), newline="")))
    assert len(rows) == len(found.readings)
    assert [float(row["position_mm"]) for row in rows] == [each.position_mm for each in found.readings]
    assert [row["number"] for row in rows if row["reference"]] == ["20", "21"]
