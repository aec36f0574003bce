"""What two small views say: names, rows, focus against disparity, strips of a pair that is not level."""

import unicodedata

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.geometry.projective import Projective
from nearpair.geometry.transforms import Similarity
from nearpair.pairs.evidence import (
    SmallView,
    compare,
    disparity_range,
    laid_on_rows,
    names_say_first,
    search_range,
    words_of,
)
from nearpair.pairs.eyes import strips_log_odds
from nearpair.pairs.halfhidden import Strips
from nearpair.pairs.rectify import NotRectified, Rectified
from nearpair.pixels.luma import luma
from support.pairs import cones, motorcycle

LEFT_AND_RIGHT = [
    ("left", "right"),
    ("L", "R"),
    ("links", "rechts"),
    ("gauche", "droite"),
    ("izquierda", "derecha"),
    ("sinistra", "destra"),
    ("esquerda", "direita"),
    ("lewo", "prawo"),
    ("2025-03-14 Quartz_LEFT", "2025-03-14 Quartz_RIGHT"),
    ("leftEye", "rightEye"),
    ("shell-l-02", "shell-r-02"),
    ("L1", "R1"),
    ("Œil gauche", "Œil droite"),
]


@pytest.mark.parametrize(("left", "right"), LEFT_AND_RIGHT)
def test_names_that_tell(left, right):
    assert names_say_first(left, right) == 1
    assert names_say_first(right, left) == -1
    # one of them is enough
    assert names_say_first(left, "other") == names_say_first("other", right) == 1
    assert names_say_first("other", left) == names_say_first(right, "other") == -1


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("lower", "upper"),
        ("ringlight", "softbox"),
        ("leftover", "bright"),
        ("copyright", "lefty"),
        ("station-1", "station-2"),
        ("100CANON", "101CANON"),
        ("", "  "),
        # letters with marks are letters: no lone l or r is left over
        ("Tür", "Öl"),
        ("Für später", "Natürlich"),
        # the same written as letter and mark, as some disks keep names
        (unicodedata.normalize("NFD", "Tür"), unicodedata.normalize("NFD", "Öl")),
        # both say the same, or one says both
        ("left", "left"),
        ("left and right", "more"),
        ("L'escargot 1", "L'escargot 2"),
        ("左", "右"),
    ],
)
def test_names_that_tell_nothing(first, second):
    assert names_say_first(first, second) == 0


def test_words():
    assert words_of("DSC_0042-LeftEye_b") == {"dsc", "left", "eye", "b"}
    assert words_of("Größe 7") == {"größe"}


@settings(deadline=None, max_examples=80)
@given(st.lists(st.floats(-300, 300), min_size=1, max_size=200))
def test_the_search_range_holds_what_was_matched(disparities_px):
    values = np.array(disparities_px)
    lowest, highest = disparity_range(values)
    low, high = np.percentile(values, [0.5, 99.5])
    assert lowest <= low - 4
    assert highest >= high + 4
    assert highest - lowest <= 1.3 * (high - low) + 10


def test_the_search_reaches_beyond_the_points_that_were_matched():
    """Motorcycle: disparities of 7 to 60 px, of which only those up to 40 px were matched."""
    pair = motorcycle()
    first, second = luma(pair.left), luma(pair.right)
    known = pair.disparity_left_px[pair.known_left]
    lowest, highest = search_range(first, second, known[known < 40].astype(np.float64))
    assert lowest <= known.min()
    assert np.percentile(known, 99.8) <= highest < 90


def test_without_texture_the_matched_points_tell_the_search_range():
    flat = np.full((80, 120), 0.5, np.float32)
    assert search_range(flat, flat, np.array([3.0, 9.0])) == disparity_range(np.array([3.0, 9.0]))


def test_the_second_view_is_laid_on_the_rows():
    size = (40, 60)
    rows = Rectified(Projective.like(Similarity(shift_x_px=3.0, shift_y_px=-2.0)), 0.0, 0.0, np.ones(1, bool))
    plane = np.arange(40 * 60, dtype=np.float32).reshape(size)
    laid = laid_on_rows(plane, rows)
    # content moves 3 to the right and 2 up; nothing new comes in at the edges
    np.testing.assert_allclose(laid[5:-5, 8:-5], plane[7:-3, 5:-8], atol=1e-3)
    np.testing.assert_allclose(laid[-1], laid[-3], atol=1e-3)


def test_different_subjects_give_no_evidence_but_the_names():
    first = luma(cones().left)
    second = cv2.resize(luma(motorcycle().left), first.shape[::-1], interpolation=cv2.INTER_AREA)
    found = compare(SmallView(first, None, 1), SmallView(second, None, 1), ("left", "right"))
    assert isinstance(found.rows, NotRectified)
    assert len(found.evidence.disparities_px) == 0
    assert found.evidence.focus_first is None
    assert found.evidence.strips_first == found.evidence.strips_second == Strips(0, 0)
    assert found.evidence.names_say_first == 1


def shot(pair, order, frames=12):
    """Views of both eyes with the frame that is sharpest where, as a stack in this order has it."""
    views = []
    for picture, disparity_px in ((pair.left, pair.disparity_left_px), (pair.right, pair.disparity_right_px)):
        depth_px = disparity_px[:240, :320]
        nearness = (depth_px - depth_px.min()) / np.ptp(depth_px)
        index = np.rint((nearness if order == "far-to-near" else 1 - nearness) * (frames - 1))
        height, width = index.shape
        small = index[2 : height // 4 * 4 : 4, 2 : width // 4 * 4 : 4].astype(np.float32)
        views.append(SmallView(luma(picture)[:240, :320], small, frames))
    return views


@pytest.mark.parametrize(
    ("order", "swapped"), [("far-to-near", False), ("near-to-far", False), ("far-to-near", True)]
)
def test_focus_goes_with_disparity(order, swapped):
    """Near things have the larger x_left − x_right and are sharp late in a stack shot far to near."""
    sign = (1 if order == "far-to-near" else -1) * (-1 if swapped else 1)
    found = compare(*shot(cones(), order)[:: -1 if swapped else 1], ("a", "b")).evidence
    for rho in (found.focus_first, found.focus_second):
        assert 0.9 < sign * rho <= 1
    assert (np.median(found.disparities_px) > 0) != swapped
    assert (strips_log_odds(found.strips_first, found.strips_second) > 0) != swapped


def test_single_frames_and_flat_maps_have_no_focus_to_correlate():
    pair = cones()
    half = [luma(picture)[:160, :250] for picture in (pair.left, pair.right)]
    flat = SmallView(half[0], np.zeros((40, 62), np.float32), 9)
    unknown = SmallView(half[1], np.full((40, 62), -1, np.float32), 9)
    found = compare(flat, unknown, ("a", "b")).evidence
    assert found.focus_first is None
    assert found.focus_second is None
    assert len(found.disparities_px) > 100


@pytest.mark.parametrize(("roll_deg", "scale", "dy_px"), [(0, 1, 12), (-2, 0.97, -20)])
def test_strips_of_both_views_count_in_a_pair_that_is_not_level(roll_deg, scale, dy_px):
    """The second view's strips are found on the first one's rows, so its colours are to be read there."""
    pair = cones()
    first, second = luma(pair.left)[-280:], luma(pair.right)[-280:]
    height, width = first.shape
    there = Similarity.about(((width - 1) / 2, (height - 1) / 2), scale, roll_deg, (0.0, dy_px))
    moved = cv2.warpAffine(
        second, there.matrix(), (width, height), flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT_101
    )
    compared = compare(SmallView(first, None, 1), SmallView(moved, None, 1), ("a", "b"))
    found = compared.evidence
    assert found.strips_first.left > 1.8 * found.strips_first.right
    assert found.strips_second.right > 1.8 * found.strips_second.left
    # depth is still the measured one up to a constant, not stretched by the other scale
    column, row = np.rint(compared.matches.first).astype(int).T
    error = found.disparities_px - pair.disparity_left_px[-280:][row, column]
    assert np.median(np.abs(error - np.median(error))) < 0.5
