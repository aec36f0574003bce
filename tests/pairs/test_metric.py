import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.pairs.metric import course_by_ring, course_on_rail, recorded_step

SIZE = (90, 140)


def scene(base_px_mm, near_mm, far_mm, offset_px, seed):
    """A tilted and bumpy ground: distance and disparity B·v/Z + offset."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    height = 0.5 + 0.4 * np.sin(x / 17) * np.cos(y / 11) + 0.1 * rng.random(SIZE)
    distance = far_mm + (near_mm - far_mm) * np.clip(height, 0, 1)
    return distance, (base_px_mm / distance + offset_px).astype(np.float32)


@given(offset=st.floats(-60, 60), shot=st.booleans(), seed=st.integers(0, 99))
@settings(deadline=None, max_examples=20)
def test_the_course_of_a_rail_stack_is_found_again(offset, shot, seed):
    """Frames that are off by a frame and a half, a tenth of them wild; the cameras may converge."""
    u, step, count = 210.0, 1.3, 20
    distance, disparity = scene(6.0 * 5360, 187.0, 209.0, offset, seed)
    planes = u - step * (np.arange(count) if shot else np.arange(count)[::-1])
    rng = np.random.default_rng(seed + 1)
    frame = np.interp(-distance, np.sort(-planes), np.arange(count) if shot else np.arange(count)[::-1])
    frame = frame + rng.normal(0, 0.8, SIZE)
    frame[rng.random(SIZE) < 0.1] = rng.uniform(0, count - 1)
    frame[rng.random(SIZE) < 0.1] = np.nan
    found = course_on_rail(disparity, frame.astype(np.float32), u / planes)
    true_px = 6.0 * 5360 / u
    assert found.focus_px == pytest.approx(true_px, rel=0.03)
    assert abs(found.focus_px / true_px - 1) < 6 * found.sigma + 0.003
    assert found.offset_px + found.focus_px == pytest.approx(true_px + offset, abs=1.0)


@pytest.mark.parametrize("near_last", [True, False])
def test_the_course_of_a_ring_stack_needs_no_order(near_last):
    u, step, count = 284.4, 1.36, 24
    distance, disparity = scene(9.5 * 6426, 284.4, 314.0, 0.0, 7)
    numbers = (distance - u) / step
    frame = count - 1 - numbers if near_last else numbers
    reference = count - 1 if near_last else 0
    found = course_by_ring(disparity, frame.astype(np.float32), reference, u / step)
    assert found.focus_px == pytest.approx(9.5 * 6426 / u, rel=1e-3)
    assert found.offset_px == pytest.approx(0.0, abs=0.3)
    straight = course_by_ring(disparity, frame.astype(np.float32), reference, None)
    # the mean slope: that at the mean distance, u²/Z² as steep
    steep = (u / distance.mean()) ** 2
    assert straight.focus_px * straight.per_frame == pytest.approx(
        found.focus_px * step / u * steep, rel=0.03
    )


def test_focus_that_has_nothing_to_do_with_disparity_gives_no_course():
    rng = np.random.default_rng(3)
    _, disparity = scene(6.0 * 5360, 187.0, 209.0, 0.0, 1)
    frame = rng.uniform(0, 19, SIZE).astype(np.float32)
    assert course_on_rail(disparity, frame, 1 / np.linspace(1, 0.88, 20)) is None


@pytest.mark.parametrize("unknown", ["disparity", "frame"])
def test_unknown_maps_and_flat_subjects_give_no_course(unknown):
    _, disparity = scene(6.0 * 5360, 187.0, 209.0, 0.0, 1)
    frame = np.full(SIZE, 4.0, np.float32)
    maps = {"disparity": disparity, "frame": frame}
    maps[unknown] = np.full(SIZE, np.nan, np.float32)
    assert course_on_rail(maps["disparity"], maps["frame"], 1 / np.linspace(1, 0.88, 20)) is None
    assert course_by_ring(np.full(SIZE, 100.0, np.float32), frame, 0, 200.0) is None


class TestRecordedDistances:
    """Distances as cameras write them: in mm, whole or not, or nowhere."""

    def test_an_even_course_either_way(self):
        distances = [300.0 - 2.5 * k for k in range(12)]
        for one in (distances, distances[::-1]):
            step, error = recorded_step(one)
            assert step == pytest.approx(2.5)
            assert error < 1e-6

    def test_rounding_is_in_the_error(self):
        step, error = recorded_step([float(round(300 - 1.3 * k)) for k in range(20)])
        assert abs(step / 1.3 - 1) < 3 * error
        assert 0.001 < error < 0.05

    @pytest.mark.parametrize(
        "distances",
        [
            [300.0] * 12,
            [300.0, None, 295.0, None, None, 290.0, None, None, None, 280.0, 275.0, None],
            [300.0, 290.0, 280.0, 270.0],
            [7223525.8, 2081.3, 583.4, 391.1, 273.4, 229.8, 170.2, 153.2, 127.4, 100.0],
            [float(v) for v in (300, 280, 305, 260, 310, 250, 290, 270)],
            [300.0, 300.0, 300.0, 290.0, 290.0, 290.0, 280.0, 280.0, 280.0, 280.0],
        ],
    )
    def test_what_tells_no_step(self, distances):
        """All alike, too few, and (fourth) the real stack `balls`, whose steps are even in dioptres."""
        assert recorded_step(distances) is None
