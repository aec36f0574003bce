"""One pass over a stack: ray-traced scenes with their truth, and photographs moved and blurred on purpose."""

import tracemalloc

import numpy as np
import pytest
from skimage.transform import SimilarityTransform

from nearpair.geometry.transforms import Similarity
from nearpair.stacks.registration import magnifications, placed, reference_end
from nearpair.stacks.survey import survey
from support.driven import Drive, defocused, moved, places, stack
from support.surveys import RAILS, RINGS, STATIONS, surveyed, true_magnifications, truth
from support.textures import SIZE_PX, about_centre, cut, rms_px, texture


def edge_error_px(scene, station, kind):
    """Largest error of size along the stack, in px at the side edge (300 px from the middle)."""
    found = surveyed(scene, station)
    reference = reference_end(found.steps)
    true = true_magnifications(scene, station, reference)
    return 300 * np.max(np.abs(magnifications(found.steps, kind, reference) / true - 1))


@pytest.mark.parametrize(("scene", "station"), STATIONS)
def test_every_frame_of_a_scene_is_used(scene, station):
    found = surveyed(scene, station)
    count = len(truth(scene)["frames"][station])
    assert found.used == tuple(range(count))
    assert found.lost == ()
    assert len(found.steps) == count - 1
    assert len(found.gains) == len(found.sharpness) == count


@pytest.mark.parametrize(("scene", "station"), RAILS)
def test_sizes_along_a_rail_stack_are_true(scene, station):
    """9 to 13 % of change over the stack, known to 0.25 px; multiplying the steps is three times worse."""
    assert edge_error_px(scene, station, "rail") < 0.25
    assert edge_error_px(scene, station, "ring") > 3 * edge_error_px(scene, station, "rail")


@pytest.mark.parametrize(("scene", "station"), RINGS)
def test_sizes_along_a_ring_stack_are_true(scene, station):
    """5.4 % of change, known to 0.05 px; added up as on a rail it is much farther off."""
    assert edge_error_px(scene, station, "ring") < 0.05
    assert edge_error_px(scene, station, "rail") > 5 * edge_error_px(scene, station, "ring")


@pytest.mark.parametrize(
    ("scene", "station", "without"),
    [("minerals", "left", (8,)), ("gears", "station_4", (5, 6)), ("shells", "right", (14,))],
)
def test_a_frame_left_out_leaves_a_longer_step(scene, station, without):
    """Twice or three times its neighbours', which no smoothing may hide: all later places depend on it."""
    steps = np.array([step.ln_scale for step in surveyed(scene, station, without).steps])
    gap = without[0] - 1
    around = np.median(np.concatenate([steps[gap - 3 : gap], steps[gap + 1 : gap + 4]]))
    assert steps[gap] / around == pytest.approx(len(without) + 1, rel=0.05)
    assert np.all(np.delete(steps, gap) / around < 1.5)


@pytest.mark.parametrize(("scene", "station"), STATIONS)
def test_the_reference_end_of_a_scene_sees_least(scene, station):
    reference = reference_end(surveyed(scene, station).steps)
    assert np.min(true_magnifications(scene, station, reference)) == pytest.approx(1)


def suffered(frame):
    """What jitter and roll did to a frame; counter-clockwise is negative with y down."""
    return about_centre((400, 600), 1, -frame["roll_deg"], frame["jitter_px"])


@pytest.mark.parametrize(("scene", "station"), STATIONS)
def test_places_in_a_scene_are_true(scene, station):
    """All frames on the reference frame, for what each has in focus: rms over the picture and the stack.

    The gears shake by up to 0.6 px and 0.06 degrees a frame, and are of polished metal, whose reflections lie
    at other depths than the metal.
    """
    found, frames = surveyed(scene, station), truth(scene)["frames"][station]
    size, reference = (400, 600), reference_end(found.steps)
    true = true_magnifications(scene, station, reference)
    errors = []
    for number, place in enumerate(placed(found.steps, truth(scene)["kind"], reference, size)):
        grown = about_centre(size, float(true[number]))
        expected = suffered(frames[number]).inverse + grown + suffered(frames[reference])
        errors.append(rms_px(place, expected, size))
        roll = frames[number]["roll_deg"] - frames[reference]["roll_deg"]
        assert place.roll_deg == pytest.approx(roll, abs=0.03)
    assert max(errors) < 0.2
    assert np.sqrt(np.mean(np.square(errors))) < (0.14 if scene == "gears" else 0.1)


@pytest.mark.parametrize(("scene", "station"), STATIONS)
def test_flicker_of_a_scene_is_lessened(scene, station):
    """The light of each frame is known; half of what flickers about its smooth course is at most left."""
    found = surveyed(scene, station)
    # encoded values follow light to the power 1/2.2 (sRGB, roughly)
    light = np.array([frame["gain"] for frame in truth(scene)["frames"][station]]) ** (1 / 2.2)

    def flicker(values):
        return np.std(np.diff(np.log(values), 2))

    assert flicker(light / found.gains) < 0.5 * flicker(light)
    # also at both ends, where a slope of brightness is easily taken for flicker: nothing is made worse there
    left = np.abs(np.log(light / found.gains))
    assert max(left[0], left[-1]) < 0.016


@pytest.fixture(scope="module")
def long_drive():
    """100 frames, 6 % of size, half a degree, 6 px; jitter of 0.3 px and 0.01 degrees in every one."""
    rng = np.random.default_rng(41)
    transforms = places(Drive(0.0006, 0.005, (0.05, -0.03), 0.3, 0.01), 100, rng)
    return transforms, survey(stack("gravel", transforms, rng), 100)


def errors_px(transforms, found, reference):
    expected = [transform.inverse + transforms[reference] for transform in transforms]
    there = placed(found.steps, "ring", reference, SIZE_PX)
    return [rms_px(one, other) for one, other in zip(there, expected, strict=True)]


@pytest.mark.parametrize("reference", [0, 50, 99])
def test_a_hundred_frames_do_not_drift(long_drive, reference):
    transforms, found = long_drive
    assert found.used == tuple(range(100))
    assert max(errors_px(transforms, found, reference)) < 0.6


def test_two_hundred_small_steps_do_not_drift():
    """12 % of size in steps of 0.1 px at the edge: an error of a hundredth in each would add up to 2 px."""
    rng = np.random.default_rng(45)
    transforms = places(Drive(0.0006, 0.0, (0.05, -0.03)), 200, rng)
    found = survey(stack("gravel", transforms, rng), 200)
    assert max(errors_px(transforms, found, 0)) < 0.5


def test_the_first_picture_is_sharp_all_over(long_drive):
    """In the first frame's coordinates: as near to the unblurred photograph as the best single frame is."""
    transforms, found = long_drive
    sharp = next(moved("gravel", transforms[:1]))
    inner = np.s_[12:-12, 12:-12]
    blurred = defocused(sharp, 0, SIZE_PX[1] / 8)
    assert np.std((found.sharp - sharp)[inner]) < 0.25 * np.std((blurred - sharp)[inner])
    # only the band at the left edge is sharp in the first frame, and that walks to the right
    index = found.index[3:-3, 3:-3]
    expected = (np.arange(3, 77) * 4 + 1.5) * 99 / 319
    assert np.mean(np.abs(index - expected) < 8) > 0.9
    assert np.median(found.contrast) > 1.5


def still(name, count):
    """A stack of a tilted plane with a camera that stands still."""
    return list(stack(name, [SimilarityTransform()] * count, np.random.default_rng(42)))


def test_a_frame_of_something_else_is_lost_and_the_rest_goes_on():
    frames = still("gravel", 9)
    frames[4] = cut(texture("astronaut"))
    found = survey(frames, 9)
    assert found.used == (0, 1, 2, 3, 5, 6, 7, 8)
    assert [lost.frame for lost in found.lost] == [4]
    assert -1 <= found.lost[0].correlation < 0.4
    assert all(abs(step.ln_scale) < 1e-3 for step in found.steps)


@pytest.mark.parametrize("strange", [(0,), (0, 1), (0, 1, 2)])
def test_strange_frames_before_the_stack_do_not_cost_the_stack(strange):
    """A hand for scale, a grey card, a black frame: what comes first need not belong."""
    frames = still("gravel", 10)
    others = (cut(texture("coffee")), np.zeros_like(frames[0]), np.ones_like(frames[0]))
    for number in strange:
        frames[number] = others[number]
    found = survey(frames, 10)
    assert found.used == tuple(range(len(strange), 10))
    assert [lost.frame for lost in found.lost] == list(strange)
    assert np.max(found.index) <= len(found.used) - 1
    assert len(found.gains) == len(found.used) == len(found.steps) + 1


def test_a_black_frame_in_between_is_lost():
    frames = still("gravel", 8)
    frames[7] = np.zeros_like(frames[7])
    frames[3] = np.zeros_like(frames[3])
    found = survey(frames, 8)
    assert found.used == (0, 1, 2, 4, 5, 6)
    assert [lost.frame for lost in found.lost] == [3, 7]


def test_a_knocked_camera_is_followed():
    """30 px at once, staying there: one large step, all frames where they belong."""
    rng = np.random.default_rng(43)
    transforms = [about_centre(SIZE_PX, shift_px=(30.4, -18.7) if k >= 6 else (0, 0)) for k in range(12)]
    found = survey(stack("brick", transforms, rng), 12)
    assert found.used == tuple(range(12))
    assert found.steps[5].shift_px == pytest.approx((-30.4, 18.7), abs=0.1)
    assert max(errors_px(transforms, found, 0)) < 0.5


def test_flicker_is_evened_out():
    """Lamp flicker of 2 %, one frame half as bright, on top of a slow rise of 0.5 % a frame."""
    rng = np.random.default_rng(44)
    lamp = 1 + rng.normal(0, 0.02, 30)
    lamp[11] = 0.5
    course = 0.6 * 1.005 ** np.arange(30)
    plane = cut(texture("gravel"))
    found = survey((np.asarray(plane * c * v, np.float32) for c, v in zip(course, lamp, strict=True)), 30)
    assert found.used == tuple(range(30))
    # what is flicker and what is course is a matter of degree: the frames must come out even, ends included
    left = lamp / found.gains
    assert np.std(left) < 0.6 * 0.02
    assert abs(left[11] / np.median(left) - 1) < 0.02
    assert max(abs(left[0] - 1), abs(left[-1] - 1)) < 0.04


@pytest.mark.parametrize("count", [1, 2, 3, 5, 12])
def test_an_even_lamp_has_no_flicker(count):
    plane = cut(texture("gravel"))
    found = survey((np.asarray(plane * 0.99**k, np.float32) for k in range(count)), count)
    assert found.gains == pytest.approx([1.0] * count, abs=2e-3)


def test_one_frame():
    plane = cut(texture("gravel"))
    found = survey([plane], 1)
    assert (found.used, found.lost, found.steps, found.gains) == ((0,), (), (), (1.0,))
    np.testing.assert_allclose(found.sharp, plane, atol=2e-5)  # kept to 1/32640
    assert found.dilation is None
    assert placed(found.steps, "single", 0, SIZE_PX) == (Similarity(),)


def test_no_frames():
    with pytest.raises(ValueError, match="no frames"):
        survey([], 0)


def test_progress_is_told_frame_by_frame():
    told = []
    survey(still("gravel", 3), 3, lambda *said: told.append(said))
    assert [(done, total) for _, done, total in told] == [(1, 3), (2, 3), (3, 3)]


def test_same_frames_same_survey_and_nothing_changed():
    frames = still("chelsea", 6)
    kept = [frame.copy() for frame in frames]
    one, other = survey(frames, 6), survey(frames, 6)
    assert one.steps == other.steps
    np.testing.assert_array_equal(one.sharp, other.sharp)
    for before, after in zip(kept, frames, strict=True):
        np.testing.assert_array_equal(before, after)


def peak_bytes(count):
    plane = cut(texture("gravel"), size_px=(120, 160))

    def shifted():
        for k in range(count):
            yield np.roll(plane, k % 3, axis=1)

    tracemalloc.start()
    try:
        survey(shifted(), count)
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_memory_does_not_grow_with_the_number_of_frames():
    """A fixed number of half-size key frames is kept, all else is running totals."""
    peak_bytes(2)
    assert peak_bytes(100) < 1.1 * peak_bytes(25)
