"""Distortion: the formulas by hand, there and back, and what a picture has left."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.geometry.distortion import Distortion

SIZE = (401, 601)
distortions = st.one_of(
    st.builds(
        Distortion,
        st.just("poly3"),
        st.tuples(st.floats(-0.04, 0.04), st.just(0.0), st.just(0.0)),
        st.floats(180, 260),
    ),
    st.builds(
        Distortion,
        st.just("ptlens"),
        st.tuples(st.floats(-0.01, 0.01), st.floats(-0.02, 0.02), st.floats(-0.02, 0.02)),
        st.floats(180, 260),
    ),
)


@pytest.mark.parametrize(
    ("model", "terms", "ratio"),
    [
        ("poly3", (0.01, 0, 0), 1 - 0.01 + 0.01 * 4),
        ("poly5", (0.01, 0.002, 0), 1 + 0.01 * 4 + 0.002 * 16),
        ("ptlens", (0.01, -0.02, 0.03), 0.01 * 8 - 0.02 * 4 + 0.03 * 2 + 1 - 0.02),
    ],
)
def test_by_hand_at_twice_the_unit(model, terms, ratio):
    """Middle (300, 200), unit 100 px: the point 200 px to its right moves along the row."""
    found = Distortion(model, terms, 100.0).bent(np.array([500.0, 200.0]), SIZE)
    assert found == pytest.approx([300 + 200 * ratio, 200])


@settings(deadline=None, max_examples=60)
@given(distortions, st.floats(0, 600), st.floats(0, 400))
def test_there_and_back(distortion, x, y):
    point = np.array([x, y])
    assert distortion.straight(distortion.bent(point, SIZE), SIZE) == pytest.approx(point, abs=1e-6)
    assert np.hypot(*(distortion.bent(point, SIZE) - point)) <= distortion.largest_px(SIZE) + 0.01


rectangles = st.tuples(st.floats(0, 60), st.floats(0, 60), st.floats(540, 600), st.floats(340, 400))


@settings(deadline=None, max_examples=60)
@given(distortions, rectangles)
def test_what_is_left_shows_only_what_was_there(distortion, rectangle):
    x0, y0, x1, y1 = distortion.inside(rectangle, SIZE)
    assert x0 >= rectangle[0]
    assert y1 <= rectangle[3]
    columns, rows = np.meshgrid(np.linspace(x0, x1, 40), np.linspace(y0, y1, 40))
    at = distortion.bent(np.stack([columns, rows], axis=-1), SIZE)
    assert np.all(at >= np.array(rectangle[:2]) - 0.01)
    assert np.all(at <= np.array(rectangle[2:]) + 0.01)
    # and hardly more is given away than the lens moved
    assert x0 - rectangle[0] <= 2.5 * distortion.largest_px(SIZE) + 0.01
