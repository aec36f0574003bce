"""From steps to places: a camera on a rail, one with a focus ring, worked out with scikit-image's transforms.

The camera here is a pinhole: a point at distance d in front of it, X to the side, appears f·X/d from the
middle. Where its plane of focus lies, and what a neighbouring frame sees of a plane, is similar triangles.
"""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.transform import SimilarityTransform

from nearpair.geometry.transforms import Similarity
from nearpair.optics.lens import rail_scale, ring_scale
from nearpair.stacks.align import Alignment
from nearpair.stacks.registration import (
    Step,
    magnifications,
    placed,
    reference_end,
    smoothed,
    step_from,
    wide_steps,
)
from support.textures import about_centre, centre_of, rms_px

SIZE = (400, 600)
EXACT = (1e-7, 1e-6, 1e-5, 1e-5)


def ours(transform):
    """This project's form of a scikit-image similarity."""
    m = transform.params
    return Similarity(float(m[0, 0]), float(m[1, 0]), float(m[0, 2]), float(m[1, 2]))


def step(transform):
    """The exact step of a similarity frame k px → frame k-1 px."""
    turned = ours(transform)
    return Step(math.log(turned.scale), turned.roll_deg, turned.shift_at(centre_of(SIZE)), EXACT)


@dataclass(frozen=True)
class Camera:
    """One frame: pupil at (x, y, z) mm, looking along -z; focal length in px; rolled and jittered."""

    place_mm: tuple[float, float, float]
    focal_px: float
    focus_mm: float
    roll_deg: float
    jitter_px: tuple[float, float]

    def view(self, plane_z_mm):
        """How it sees a plane across the axis: scikit-image's map mm → px."""
        x, y, z = self.place_mm
        seen = SimilarityTransform(scale=self.focal_px / (z - plane_z_mm))
        here = SimilarityTransform(translation=(-x, -y)) + seen
        turned = SimilarityTransform(rotation=math.radians(self.roll_deg))
        return here + turned + SimilarityTransform(translation=np.array(centre_of(SIZE)) + self.jitter_px)

    @property
    def focused_z_mm(self):
        return self.place_mm[2] - self.focus_mm

    def onto(self, other, plane_z_mm):
        """Map of this frame's px onto the other frame's, for points of a plane."""
        return self.view(plane_z_mm).inverse + other.view(plane_z_mm)


def rail(count, step_mm, aside_mm=(0.0, 0.0), jitters=None, rolls=None):
    """A camera driven towards its subject (positive steps), 200 mm from its plane of focus."""
    jitters = jitters if jitters is not None else [(0.0, 0.0)] * count
    rolls = rolls if rolls is not None else [0.0] * count
    return [
        Camera((k * aside_mm[0], k * aside_mm[1], -k * step_mm), 4000.0, 200.0, rolls[k], tuple(jitters[k]))
        for k in range(count)
    ]


def ring(count, extension_mm, jitters, rolls):
    """A 100 mm lens focused nearer from frame to frame: image distance 200 mm at first, 0.05 mm pixels."""
    cameras = []
    for k in range(count):
        image_mm = 200.0 + k * extension_mm
        focus_mm = 1 / (1 / 100.0 - 1 / image_mm)
        cameras.append(Camera((0, 0, 200.0), image_mm / 0.05, focus_mm, rolls[k], tuple(jitters[k])))
    return cameras


def steps_of(cameras):
    """What a perfect measurement says: each frame on the one before, for the plane half way between."""
    return [
        step(here.onto(before, (here.focused_z_mm + before.focused_z_mm) / 2))
        for before, here in pairwise(cameras)
    ]


def worst_px(cameras, kind, reference):
    """Largest error of the places of all frames, for what each has in focus."""
    found = placed(steps_of(cameras), kind, reference, SIZE)
    expected = [camera.onto(cameras[reference], camera.focused_z_mm) for camera in cameras]
    return max(rms_px(one, other, SIZE) for one, other in zip(found, expected, strict=True))


small = st.floats(-0.5, 0.5)
jitters = st.lists(st.tuples(small, small), min_size=40, max_size=40)
rolls = st.lists(st.floats(-0.05, 0.05), min_size=40, max_size=40)


@given(st.integers(2, 40), st.floats(-0.6, 0.6), jitters, rolls, st.data())
@settings(deadline=None, max_examples=60)
def test_ring_places_are_exact(count, extension_mm, jitters, rolls, data):
    """The pupil stays, so all planes scale alike and nothing is lost, however the frames jitter."""
    reference = data.draw(st.integers(0, count - 1))
    assert worst_px(ring(count, extension_mm, jitters, rolls), "ring", reference) < 1e-6


@given(st.integers(2, 40), st.floats(-0.8, 0.8), st.data())
@settings(deadline=None, max_examples=60)
def test_rail_places_are_exact_without_jitter(count, step_mm, data):
    """Up to 16 % of change in size over the stack, each frame by what it has in focus."""
    reference = data.draw(st.integers(0, count - 1))
    assert worst_px(rail(count, step_mm), "rail", reference) < 1e-6


@given(
    st.integers(8, 40),
    st.floats(-0.6, 0.6),
    st.tuples(st.floats(-0.02, 0.02), st.floats(-0.02, 0.02)),
    st.data(),
)
@settings(deadline=None, max_examples=60)
def test_a_rail_askew_is_seen_through(count, step_mm, aside_mm, data):
    """Sideways travel (up to 0.4 px a step) shrinks with distance as everything does."""
    reference = data.draw(st.integers(0, count - 1))
    assert worst_px(rail(count, step_mm, aside_mm), "rail", reference) < 0.05


@given(st.integers(8, 40), st.floats(-0.6, 0.6), jitters, rolls, st.data())
@settings(deadline=None, max_examples=60)
def test_rail_places_hold_with_jitter(count, step_mm, jitters, rolls, data):
    """What jitter and drive have to do with each other is second order: 12 % of size times 0.7 px."""
    reference = data.draw(st.integers(0, count - 1))
    cameras = rail(count, step_mm, (0.005, -0.003), jitters, rolls)
    assert worst_px(cameras, "rail", reference) < 0.05


def test_a_knock_is_not_taken_for_a_rail_askew():
    """One knock of 30 px that stays: the frames after it are placed by it, the drive is not bent by it."""
    jitters = [(0.0, 0.0)] * 10 + [(30.0, -20.0)] * 10
    assert worst_px(rail(20, 0.5, jitters=jitters), "rail", 10) < 0.3
    assert worst_px(ring(20, 0.1, jitters, [0.0] * 20), "ring", 10) < 1e-6


def test_the_wrong_kind_draws_a_wrong_perspective():
    """20 steps of 1.3 mm at 200 mm: 26 mm of depth seen with scales multiplied, (26/200)²/2 = 0.8 % off."""
    cameras = rail(21, 1.3)
    right, wrong = (magnifications(steps_of(cameras), kind, 0) for kind in ("rail", "ring"))
    assert right[-1] == pytest.approx(200 / 226)
    assert wrong[-1] / right[-1] - 1 == pytest.approx(-0.008, abs=0.001)


# Scale of a plane u/(u - dz), and below of the picture (v + dv)/v: thin lens and similar triangles, by hand
@pytest.mark.parametrize(
    ("distance_mm", "advance_mm", "scale"),
    [(200, 0.1, 1.000500), (200, 1, 1.005025), (200, 5, 1.025641), (90, 1, 1.011236), (150, 1, 1.006711)],
)
def test_rail_magnification_is_that_of_the_plane(distance_mm, advance_mm, scale):
    """Frame 0's plane of focus, seen by frame 1 after the camera advanced."""
    half = advance_mm / 2
    between = Step(math.log((distance_mm - half) / (distance_mm + half)), 0.0, (0.0, 0.0), EXACT)
    first, second = magnifications([between], "rail", reference=1)
    assert first == pytest.approx(scale, abs=1e-6)
    assert first == pytest.approx(rail_scale(distance_mm, advance_mm), rel=1e-12)
    assert second == pytest.approx(1, abs=1e-12)


@pytest.mark.parametrize(
    ("image_mm", "extension_mm", "scale"), [(200, 1, 1.005), (75, 1, 1.013333), (200, -1, 0.995)]
)
def test_ring_magnification_is_that_of_the_picture(image_mm, extension_mm, scale):
    smaller = Step(-math.log((image_mm + extension_mm) / image_mm), 0.0, (0.0, 0.0), EXACT)
    first, second = magnifications([smaller], "ring", reference=1)
    assert first == pytest.approx(scale, abs=1e-6)
    assert first == pytest.approx(ring_scale(image_mm, extension_mm), rel=1e-12)
    assert second == pytest.approx(1, abs=1e-12)


@pytest.mark.parametrize("kind", ["rail", "ring", "single"])
def test_a_single_frame_stays(kind):
    assert placed([], kind, 0, SIZE) == (Similarity(),)
    assert magnifications([], kind, 0).tolist() == [1.0]
    assert reference_end([]) == 0


def test_step_from_reads_an_alignment():
    """1 % smaller, a tenth of a degree, 2 px right and 1 up about the middle; errors in px at the edge."""
    made = about_centre(SIZE, 0.99, 0.1, (2, -1))
    found = step_from(Alignment(ours(made), True, 1.0, (0.3, 0.6, 0.01, 0.02)), SIZE)
    assert found.ln_scale == pytest.approx(math.log(0.99))
    assert found.roll_deg == pytest.approx(0.1)
    assert found.shift_px == pytest.approx((2, -1))
    # the farther edge is 299.5 px from the middle
    assert found.sigma == pytest.approx((0.3 / 299.5, math.degrees(0.6 / 299.5), 0.01, 0.02))


@pytest.mark.parametrize("step_mm", [0.5, -0.5])
def test_the_reference_end_sees_least(step_mm):
    """Driven towards the subject the last frame sees the smallest part, which all others cover."""
    cameras = rail(12, step_mm)
    steps = steps_of(cameras)
    end = reference_end(steps)
    assert end == (11 if step_mm > 0 else 0)
    assert min(magnifications(steps, "rail", end)) == pytest.approx(1)


def driven(values, sigma, shifts=None, shift_sigma=0.01):
    shifts = shifts if shifts is not None else [(0.0, 0.0)] * len(values)
    errors = (sigma, 1e-4, shift_sigma, shift_sigma)
    return [Step(float(v), 0.0, tuple(map(float, s)), errors) for v, s in zip(values, shifts, strict=True)]


def test_smoothing_takes_noise_out_of_an_even_drive():
    """Noise as large as the measurement's own error goes, a slow change of the steps stays."""
    rng = np.random.default_rng(31)
    true = -0.004 + 0.0003 * np.linspace(-1, 1, 40) ** 2
    noise = rng.normal(0, 2e-4, 40)
    even = smoothed(driven(true + noise, 2e-4 / 4))
    left = np.array([s.ln_scale for s in even]) - true
    assert np.std(left) < 0.4 * np.std(noise)


def test_smoothing_keeps_a_really_uneven_step():
    rng = np.random.default_rng(32)
    true = np.full(30, -0.004)
    true[12], true[20] = -0.012, 0.0
    even = smoothed(driven(true + rng.normal(0, 2e-5, 30), 2e-5 / 4))
    assert even[12].ln_scale == pytest.approx(-0.012, rel=0.02)
    assert even[20].ln_scale == pytest.approx(0, abs=1e-4)
    assert even[5].ln_scale == pytest.approx(-0.004, rel=0.02)


def test_smoothing_keeps_a_drive_by_hand():
    """Steps that really vary by a third, measured well, are not evened out."""
    rng = np.random.default_rng(33)
    true = -0.004 * (1 + rng.normal(0, 0.33, 30))
    even = smoothed(driven(true, 1e-6))
    assert np.max(np.abs(np.array([s.ln_scale for s in even]) - true)) < 1e-5


def test_smoothing_lets_no_frame_walk_away():
    """Jitter comes and goes: what is taken from one step and not from the next would add up."""
    rng = np.random.default_rng(34)
    places = rng.normal(0, 0.3, (61, 2))
    steps = driven(rng.normal(-0.002, 1e-5, 60), 1e-5, places[:-1] - places[1:], 0.002)
    before, after = (
        placed(s, "ring", 0, SIZE)[-1].shift_at(centre_of(SIZE)) for s in (steps, smoothed(steps))
    )
    assert after == pytest.approx(before, abs=0.02)


def test_few_steps_stay_as_they_are():
    steps = driven([-0.004, -0.001, -0.007, -0.004, 0.002], 1e-3)
    assert smoothed(steps) == tuple(steps)
    assert smoothed([]) == ()


@given(st.integers(6, 60), st.floats(-0.02, 0.02))
@settings(deadline=None)
def test_smoothing_changes_nothing_in_an_even_drive(count, ln_scale):
    steps = driven([ln_scale] * count, 1e-5)
    assert [s.ln_scale for s in smoothed(steps)] == pytest.approx([ln_scale] * count, abs=1e-9)


def even_steps(sizes: list[float]) -> list[Step]:
    return [Step(size, 0.0, (0.0, 0.0), (1e-6, 1e-6, 1e-3, 1e-3)) for size in sizes]


def test_a_missing_frame_is_a_step_twice_as_wide() -> None:
    """The change of magnification adds up over a missing frame (thin lens, REFERENCES 7.7)."""
    sizes = [0.004 + 1e-5 * k for k in range(12)]
    sizes[5] *= 2
    ((number, times),) = wide_steps(even_steps(sizes))
    assert number == 5
    assert times == pytest.approx(2, abs=0.05)


@pytest.mark.parametrize(
    "sizes",
    [
        [0.004] * 12,
        [0.004, 0.007] * 6,
        [1e-5, 1e-5, 2e-5, 1e-5, 1e-5, 1e-5, 1e-5],
        [0.004, 0.004, 0.008],
    ],
    ids=["even", "by hand", "no breathing", "too short"],
)
def test_other_stacks_have_no_wide_steps(sizes: list[float]) -> None:
    assert wide_steps(even_steps(sizes)) == ()
