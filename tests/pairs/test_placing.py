"""Window and crop: what the automatic choice promises, on invented depth maps and a real one.

What is cut by a side is judged by the proof's own measure on the finished map.
"""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.errors import PairError
from nearpair.geometry.projective import Projective, turned_camera
from nearpair.geometry.transforms import Similarity
from nearpair.pairs.placing import Allowed, Laid, floating_sides, parallax_of, place
from nearpair.proof.edges import edges
from support.pairs import aloe, cones, motorcycle

USUAL = Allowed(-0.018, 0.0175)
"""One degree either side on a screen as wide as it is far away: about 1.75 % of the width."""
GENEROUS = Allowed(-0.2, 0.2)


def laid(disparity_px, factor=1):
    height, width = (side * factor for side in disparity_px.shape)
    whole = (0.0, 0.0, width - 1.0, height - 1.0)
    return Laid((height, width), Similarity(), Projective(), (whole, whole), disparity_px, factor)


def flat(depth=20.0, size=(200, 300)):
    return np.full(size, depth, np.float32)


def cut(on, placed, floats=True):
    """Share of the left and the right side that cuts something in front of the (floating) window."""
    parallax = parallax_of(on, placed.mount)
    found = edges(parallax, floating_sides(parallax) if floats else (0, 0))
    return max(found.left.share, found.right.share)


boxes = st.lists(
    st.tuples(
        st.integers(0, 280), st.integers(0, 180), st.integers(8, 90), st.integers(8, 90), st.floats(0, 1)
    ),
    max_size=6,
)


@settings(deadline=None, max_examples=120)
@given(
    boxes, st.floats(0, 0.6), st.floats(2, 24), st.sampled_from([None, 1.0, 4 / 3]), st.sampled_from([1, 2])
)
def test_no_side_cuts_what_stands_in_front(found_boxes, slope, deep_px, aspect, factor):
    """Things anywhere before sloping ground: nothing is cut, masks cover it, or it is too far in front."""
    rows = np.linspace(0, slope, 200, dtype=np.float32)[:, None]
    depth = np.tile(rows, (1, 300))
    for x, y, wide, high, near in sorted(found_boxes, key=lambda box: box[4]):
        part = depth[y : y + high, x : x + wide]
        part[:] = np.maximum(part, near)
    on = laid(deep_px * depth, factor)
    placed = place(on, "auto", aspect, USUAL)
    _, _, width, height = placed.mount.crop_px
    assert width / height == pytest.approx(aspect or 1.5, rel=0.02)
    parallax = parallax_of(on, placed.mount)
    sides = floating_sides(parallax)
    if cut(on, placed) >= 0.01:
        # too far in front for a floating window
        bare = edges(parallax)
        worst = min(bare.left.worst_px or 0, bare.right.worst_px or 0)
        assert -worst > 0.04 * width - 1
        assert "yet a side cuts" in placed.window_rule
    assert max(sides) <= 0.04 * width
    near, far = np.nanpercentile(parallax, [1, 99])
    # what cannot fit exceeds both ends by the same
    room_px = 0.95 * (USUAL.far - USUAL.near) * width
    exceeds_px = max(0, far - near - room_px) / 2
    if "nearly so" in placed.window_rule:
        # a thing that comes into the crop and drops out of it with the window: none may suit
        exceeds_px = max(exceeds_px, room_px / 4)
    assert far <= USUAL.far * width + exceeds_px + 1.5
    assert near >= USUAL.near * width - exceeds_px - 1.5


def test_what_escapes_the_strips_of_a_reduced_map_is_still_seen():
    """Found by many random cases: the last column of the crop, half a px of the map, shows a near thing."""
    depth = flat(0)
    depth[:8, 243:251] = 9
    on = laid(depth, 2)
    placed = place(on, "auto", 1.0, USUAL)
    assert cut(on, placed) < 0.01
    assert "5 % off the right" in placed.crop_rule


turned = st.builds(
    lambda scale, roll, shift, yaw, pitch: turned_camera(900.0, (149.5, 99.5), (yaw, pitch, 0.0)).then(
        Similarity.about((149.5, 99.5), scale, roll, shift)
    ),
    st.floats(0.96, 1.04),
    st.floats(-3, 3),
    st.tuples(st.floats(-15, 15), st.floats(-12, 12)),
    st.floats(-1.5, 1.5),
    st.floats(-1.5, 1.5),
)


@settings(deadline=None, max_examples=60)
@given(turned, st.floats(-3, 3), st.floats(0, 14), st.sampled_from([None, 0.7, 1.0, 16 / 9]))
def test_no_row_or_column_of_the_crop_is_empty(right, base_deg, deep_px, aspect):
    """Frames turned, and with keystone: every px of the crop comes from what the frames of its eye cover."""
    depth = np.tile(np.linspace(0, deep_px, 300, dtype=np.float32), (200, 1))
    usable = ((0.0, 0.0, 299.0, 199.0), (3.0, 2.0, 296.5, 198.0))
    left = Similarity.about((149.5, 99.5), 1.0, base_deg)
    on = Laid((200, 300), left, right, usable, depth, 1)
    mount = place(on, "auto", aspect, USUAL).mount
    x, y, width, height = mount.crop_px
    rows, columns = np.mgrid[y : y + height, x : x + width].astype(float)
    for transform, (x0, y0, x1, y1) in (
        (mount.left_transform, usable[0]),
        (mount.right_transform, usable[1]),
    ):
        at = transform.inverse().apply(np.column_stack([columns.ravel(), rows.ravel()]))
        assert np.all(at >= np.array([x0, y0]) - 1e-6)
        assert np.all(at <= np.array([x1, y1]) + 1e-6)


def test_the_window_comes_forward_before_anything_is_cropped():
    depth = flat()
    depth[120:180, :40] = 23
    on = laid(depth)
    placed = place(on, "auto", None, GENEROUS)
    assert placed.mount.window_disparity_px == pytest.approx(23, abs=1.2)
    assert placed.crop_rule == "the largest part that both views have, in the frames' shape"
    assert cut(on, placed, floats=False) == 0


def test_small_parts_may_come_through_the_window():
    depth = flat()
    depth[90:110, 140:160] = 30
    placed = place(laid(depth), "auto", None, GENEROUS)
    assert placed.mount.window_disparity_px == pytest.approx(20)
    assert placed.window_rule == "automatic: nothing but small parts in front of it"


def test_a_large_subject_stays_behind_the_window():
    depth = flat()
    depth[50:150, 80:220] = 30
    placed = place(laid(depth), "auto", None, GENEROUS)
    assert placed.mount.window_disparity_px == pytest.approx(30)


def test_a_side_is_cropped_where_the_window_cannot_come_forward():
    """Far things already are as far as the viewing conditions allow."""
    depth = flat(20)
    depth[100:, 100:200] = 25
    depth[20:160, 280:] = 29
    on = laid(depth)
    placed = place(on, "auto", None, Allowed(-0.05, 0.01))
    assert cut(on, placed, floats=False) < 0.01
    assert "% off the right so that nothing in front of the window is cut" in placed.crop_rule
    assert "off the left" not in placed.crop_rule
    x, _, width, _ = placed.mount.crop_px
    assert 264 <= x + width <= 281


def test_what_cannot_be_cropped_away_floats():
    """A near thing all along the lower part of the picture, too much for the viewing conditions."""
    depth = flat(20)
    depth[150:] = 26
    on = laid(depth)
    placed = place(on, "auto", None, Allowed(-0.05, 0.01))
    parallax = parallax_of(on, placed.mount)
    assert cut(on, placed, floats=False) > 0.2
    assert floating_sides(parallax) == (4, 4)
    assert cut(on, placed) == 0
    assert placed.window_rule.endswith("yet a side cuts something in front of it")


def test_too_far_in_front_does_not_float():
    parallax = np.zeros((100, 300), np.float32)
    parallax[40:80, 270:] = -13
    assert floating_sides(parallax) == (0, 0)
    parallax[40:80, 270:] = -11
    assert floating_sides(parallax) == (0, 11)


def test_depth_beyond_what_is_allowed_is_centred():
    depth = np.tile(np.linspace(0, 60, 300, dtype=np.float32), (200, 1))
    placed = place(laid(depth), "auto", None, USUAL)
    parallax = parallax_of(laid(depth), placed.mount)
    near, far = np.percentile(parallax, [1, 99])
    width = placed.mount.crop_px[2]
    assert (near + far) / 2 == pytest.approx((USUAL.near + USUAL.far) / 2 * width, abs=5)
    assert "centred" in placed.window_rule or "as far forward" in placed.window_rule


@pytest.mark.parametrize(
    ("window", "rule"), [("near", "on the nearest thing"), ("far", "on the farthest thing")]
)
def test_by_rule(window, rule):
    depth = np.tile(np.linspace(10, 30, 300, dtype=np.float32), (200, 1))
    placed = place(laid(depth, 2), window, None, USUAL)
    share = 99 if window == "near" else 1
    assert placed.mount.window_disparity_px == pytest.approx(2 * np.percentile(depth, share))
    assert placed.window_rule == rule


def test_by_point_with_an_aspect():
    depth = np.tile(np.linspace(10, 30, 300, dtype=np.float32), (200, 1))
    placed = place(laid(depth, 2), (401.0, 100.0), 0.8, USUAL)
    assert placed.mount.window_disparity_px == pytest.approx(2 * depth[0, 200], abs=0.2)
    assert placed.window_rule == "on the thing at 401,100"
    assert placed.crop_rule == "the largest part that both views have, 0.8 times as wide as high"
    x, _, width, height = placed.mount.crop_px
    assert width / height == pytest.approx(0.8, rel=0.01)
    assert x <= 401 <= x + width


@pytest.mark.parametrize("pair", [motorcycle, cones, aloe])
@pytest.mark.parametrize("aspect", [None, 1.0])
def test_real_depth(pair, aspect):
    """Measured disparity, up to an eighth of the width: sides are whole after placing, cropping, floating."""
    pair = pair()
    on = laid(pair.disparity_left_px)
    placed = place(on, "auto", aspect, Allowed(-0.12, 0.09))
    assert cut(on, placed) < 0.01


def test_without_depth():
    with pytest.raises(PairError, match="share too little texture"):
        place(laid(flat(np.nan)), "auto", None, USUAL)


def test_a_smaller_base_leaves_more_depth_behind_the_window():
    """60 px of depth in 300 px are too much as shot; from a tenth of the base they are 6 px and fit."""
    depth = np.tile(np.linspace(0, 60, 200, dtype=np.float32)[:, None], (1, 300))
    whole = laid(depth)
    tenth = replace(whole, base_share=0.1)
    centred, fitting = (place(on, "auto", None, USUAL) for on in (whole, tenth))
    assert "centred" in centred.window_rule
    assert "centred" not in fitting.window_rule
    width = fitting.mount.crop_px[2]
    near, far = np.nanpercentile(parallax_of(tenth, fitting.mount) * 0.1, [1, 99])
    assert USUAL.near * width - 0.5 <= near
    assert far <= USUAL.far * width + 0.5


def test_what_a_side_cuts_is_judged_by_the_parallax_that_will_be_seen():
    """2 px before the window at the left side disturb, a tenth of that does not."""
    depth = flat()
    depth[:, :30] += 2
    depth[80:90, 140:150] += 2
    assert place(laid(depth), "auto", None, GENEROUS).mount.window_disparity_px > 20.5
    tenth = place(replace(laid(depth), base_share=0.1), "auto", None, GENEROUS)
    assert tenth.mount.window_disparity_px == pytest.approx(20, abs=0.1)


def test_a_crop_by_hand_goes_before_every_rule():
    found = replace(laid(flat()), crop_px=(40, 30, 120, 100))
    placed = place(found, "auto", 1.5, Allowed(-0.05, 0.05))
    assert placed.mount.crop_px == (40, 30, 120, 100)
    assert placed.crop_rule == "set by hand"
