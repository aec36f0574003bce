"""Which stations make the pair: one thirtieth of the distance, then the middle.

The rule is common practice (see optics.base). With parallel axes a sideways move of b moves the picture by
b · image distance / distance (similar triangles).
"""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.pairs.choice import choose


def test_the_base_nearest_to_one_thirtieth():
    # focal length 3000 px: one thirtieth of the distance is a shift of 100 px
    found = choose([0, 25, 60, 165, 420], 1000, 3000.0)
    assert (found.first, found.second) == (2, 3)
    assert found.reason == "its base is about 1/29 of the distance, nearest to 1/30"


def test_too_wide_and_too_narrow_are_measured_as_ratios():
    # 40 px is 2.5 times too narrow, 200 px 2 times too wide
    found = choose([0, 40, 240], 1000, 3000.0)
    assert (found.first, found.second) == (1, 2)


@pytest.mark.parametrize("count", [4, 6, 8])
def test_of_equal_bases_the_middle_one(count):
    found = choose([100.0 * k for k in range(count)], 1000, 3000.0)
    assert (found.first, found.second) == (count // 2 - 1, count // 2)


def test_of_two_equally_central_the_first():
    found = choose([0, 100, 200], 1000, 3000.0)
    assert (found.first, found.second) == (0, 1)


@pytest.mark.parametrize("must", [0, 1, 2, 3])
def test_a_station_that_must_be_in_it(must):
    found = choose([0, 100, 200, 290], 1000, 3000.0, must)
    assert must in (found.first, found.second)
    other = ({found.first, found.second} - {must}).pop()
    assert abs(other - must) == 1


def test_without_a_focal_length_a_usual_one_is_assumed_and_that_is_said():
    found = choose([0, 100, 400], 1000, None)
    assert (found.first, found.second) == (0, 1)
    assert found.reason.endswith("nearest to 1/30 (focal length not recorded; a usual close-up lens assumed)")


@pytest.mark.parametrize(("must", "pair"), [(None, (0, 1)), (0, (0, 1)), (2, (2, 0))])
def test_stations_on_one_spot_are_told(must, pair):
    found = choose([5.0, 5.0, 5.0], 1000, 3000.0, must)
    assert (found.first, found.second) == pair
    assert found.reason == "the stations show no sideways shift"


@settings(deadline=None)
@given(
    st.lists(st.integers(-2000, 2000), min_size=2, max_size=7, unique=True),
    st.floats(500, 30_000),
    st.integers(-500, 500),
)
def test_only_shifts_count_not_where_the_row_of_stations_lies(positions, focal_px, moved):
    found = choose(positions, 1000, focal_px)
    again = choose([p + moved for p in positions], 1000, focal_px)
    mirrored = choose([-p for p in positions], 1000, focal_px)
    assert found.first < found.second
    assert (again.first, again.second) == (mirrored.first, mirrored.second) == (found.first, found.second)
