"""What differs between the two stacks, on pairs whose every difference was put there."""

import cv2
import numpy as np
import pytest

from nearpair.colour.match import grid
from nearpair.proof.assemble import assemble
from nearpair.proof.localshifts import local_shifts, moved_places, without_moved
from nearpair.proof.model import FocusGap
from nearpair.proof.model_capture import SpoiltFrame
from nearpair.proof.onesided import highlights
from nearpair.proof.sharpness import sharpness


def codes(proof):
    return {finding.code for finding in proof.advice}


@pytest.fixture
def points():
    rng = np.random.default_rng(5)
    where = rng.uniform((0, 0), (640, 400), (2500, 2))
    focus = where[:, 0] / 32  # deeper to the right
    parallax = 0.4 * focus - 3 + rng.normal(0, 0.15, len(where))
    return where, parallax, rng.normal(0, 0.2, len(where)), focus


def test_nothing_moved_where_parallax_follows_the_focus(points):
    found = local_shifts(*points, (400, 640))
    assert found.moved_px is None
    assert max(abs(v) for v in found.height_px if v is not None) < 0.5


@pytest.mark.parametrize("shift", [(4.0, 0.0), (0.0, 3.0), (-3.0, 2.0)])
def test_a_part_that_moved_is_found_with_its_place_and_shift(points, shift):
    where, parallax, height, focus = points
    inside = np.hypot((where[:, 0] - 300) / 70, (where[:, 1] - 200) / 60) < 1
    moved = parallax + shift[0] * inside, height + shift[1] * inside
    found = local_shifts(where, *moved, focus, (400, 640))
    assert found.moved_px == pytest.approx(shift, abs=0.4)
    x, y, width, high = found.box_px
    assert x < 300 < x + width
    assert y < 200 < y + high
    assert 0.01 < found.moved_share < 0.1


@pytest.mark.parametrize("aside", [4.0, -4.0])
def test_what_moved_says_nothing_of_depth_and_what_is_truly_near_still_does(points, aside):
    """A knocked part reaches beyond all else; a near pillar that touches its cells keeps to its focus."""
    where, parallax, height, focus = points
    rows, columns = np.indices((400, 640))
    knocked = np.hypot((columns - 300) / 70, (rows - 200) / 60) < 1
    pillar = (columns > 385) & (columns < 391) & (rows > 150)
    depth = np.full((400, 640), 2.0, np.float32) + 0.01 * (columns - 320)
    truth = np.where(pillar, -9.0, depth).astype(np.float32)
    parallax_map = np.where(knocked, depth + 2 * aside, truth).astype(np.float32)
    inside = knocked[where[:, 1].astype(int), where[:, 0].astype(int)]
    found = local_shifts(where, parallax + aside * inside, height, focus, (400, 640))
    gone = moved_places(parallax_map, found)
    assert gone[knocked].mean() > 0.7
    assert not gone[pillar].any()
    still = without_moved(parallax_map, found)
    end = 99 if aside > 0 else 1
    assert np.nanpercentile(still, end) == pytest.approx(np.percentile(truth, end), abs=0.3)
    assert abs(np.percentile(parallax_map, end) - np.percentile(truth, end)) > 0.5


def test_where_nothing_moved_nothing_is_left_out(points):
    parallax_map = np.random.default_rng(1).normal(0, 3, (400, 640)).astype(np.float32)
    found = local_shifts(*points, (400, 640))
    for told in (found, None):
        assert without_moved(parallax_map, told) is parallax_map


def test_single_wrong_matches_are_no_move(points):
    where, parallax, height, focus = points
    wrong = np.random.default_rng(2).choice(len(where), 200, replace=False)
    height = height.copy()
    height[wrong] += 6
    assert local_shifts(where, parallax, height, focus, (400, 640)).moved_px is None


def two_depths(lab):
    """A square in front of a wall, and which pixels of the right picture show the wall."""
    parallax = lab.layered_parallax(near=-6, far=10)
    left, right = lab.shifted_pair(parallax)
    return parallax, left, right


def test_a_far_end_that_is_blurred_for_one_eye_is_told(lab):
    parallax, left, right = two_depths(lab)
    assert "stacks-cover-differently" not in codes(assemble(lab.make_inputs(parallax, views=(left, right))))
    blurred = cv2.GaussianBlur(right, (0, 0), 1.2)
    near = np.zeros(parallax.shape, bool)
    near[60:140, 94:214] = True
    right = np.where(near[..., None], right, blurred)
    found = assemble(lab.make_inputs(parallax, views=(left, right)))
    # the wall is most of the picture, so the square stands out as sharper for the right eye
    assert "stacks-cover-differently" in codes(found)
    assert sharpness(left, right, parallax).by_depth[0] > 0.3


def test_a_highlight_of_one_eye_counts_for_that_eye():
    on = grid(np.zeros((20, 30), np.float32))
    left, right = (np.full((20, 30, 3), 0.1, np.float32) for _ in range(2))
    left[5:10, 5:10], right[12:14, 20:25] = 0.9, 0.9
    found = highlights(left, right, on)
    assert (found.left_only.sum(), found.right_only.sum()) == (25, 10)
    assert found.share == pytest.approx(35 / 600)


def test_a_shaken_frame_is_told_instead_of_the_slice_that_it_leaves_unsharp(lab):
    from msgspec.structs import replace

    gap = FocusGap(after_frame=1, width_steps=2.0, unsharp_fraction=0.05)
    station = lab.station("west")
    station = replace(station, focus=replace(station.focus, gaps=[gap]))
    shaken = replace(station, spoilt=[SpoiltFrame(frame=2, kind="shaken", detail_left=0.3)])
    for west, told in ((station, "missing-slice"), (shaken, "shaken-frame")):
        found = assemble(lab.make_inputs(stations=[west, lab.station("east")]))
        assert codes(found) & {"missing-slice", "shaken-frame"} == {told}
        assert found.verdict == "rework"


def test_a_repeated_frame_and_a_height_difference_are_notes(lab):
    from msgspec.structs import replace

    station = replace(lab.station("west"), spoilt=[SpoiltFrame(frame=3, kind="repeated")])
    found = assemble(
        lab.make_inputs(stations=[station, lab.station("east")], mounting=lab.mounting(vertical_px=3.0))
    )
    told = {f.code: f.severity for f in found.advice}
    assert (told["repeated-frame"], told["camera-height"]) == ("note", "note")
    assert "west_3.jpg" in next(f.text for f in found.advice if f.code == "repeated-frame")
