"""The focus map and what it says about the stack, against known depths.

Peaks: S. K. Nayar and Y. Nakagawa, "Shape from focus", IEEE PAMI 16(8), 1994 (the formula from memory; it
recovers exact Gaussians, worked by hand). Depths: the truth of the ray-traced scenes.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.geometry.transforms import Similarity
from nearpair.stacks.gaps import missing_slices
from nearpair.views.focus import FocusTracker
from nearpair.views.focus_kernels import interpolate_peak
from nearpair.views.responses import Responses, ResponseTracker, coverage
from support.driven import defocused
from support.merging import covered, merge, merged, scene_coverage, scene_places
from support.surveys import SCENES, STATIONS, truth
from support.textures import photograph


def peak(before, here, after, number):
    """Position and width of one peak."""
    planes = [np.full((1, 1), value, np.float32) for value in (here, before, after, 0, 0)]
    best, lower, upper, position, width = planes
    interpolate_peak(best, np.full((1, 1), number, np.int16), lower, upper, position, width, 0, 1)
    return float(position[0, 0]), float(width[0, 0])


@pytest.mark.parametrize(
    ("number", "energies", "position", "width"),
    [
        (2, (49.740678, 96.349297, 81.670336), 2.3, 1.1),
        (5, (1.081343, 3, 1.081343), 5.0, 0.7),
        (3, (7.576661, 9.704334, 9.680103), 3.49, 2.0),
        (2, (50, 80, 60), 2.120315, 1.148829),
    ],
)
def test_published_peaks(number, energies, position, width):
    assert peak(*energies, number) == pytest.approx((position, width), abs=2e-5)


@given(st.floats(-0.49, 0.49), st.floats(0.5, 5), st.floats(1e-3, 1e6), st.integers(1, 400))
@settings(deadline=None)
def test_exact_gaussians_are_recovered(offset, sigma, height, number):
    energies = [height * math.exp(-((k - offset) ** 2) / (2 * sigma**2)) for k in (-1, 0, 1)]
    assert peak(*energies, number) == pytest.approx((number + offset, sigma), abs=2e-3, rel=1e-4)


@pytest.mark.parametrize("energies", [(-1, 5, 3), (3, 5, -1), (0, 5, 3), (5, 5, 5)])
def test_without_two_lower_neighbours_the_frame_is_the_answer(energies):
    position, width = peak(*energies, 7)
    assert position == 7
    assert math.isnan(width)


SIZE = (240, 320)
COUNT = 12


def tilted(numbers, name="gravel", noise=1.5, flat=None):
    """Frames of a plane that is in focus at column k·319/11 in frame k; `flat`: columns without texture."""
    rng = np.random.default_rng(71)
    plane = photograph(name)[100 : 100 + SIZE[0], 100 : 100 + SIZE[1], 1].astype(np.float32)
    if flat is not None:
        plane[:, flat] = 128
    frames = []
    for k in numbers:
        frame = defocused(plane, k * (SIZE[1] - 1) / (COUNT - 1), 25) + rng.normal(0, noise, SIZE)
        frames.append(np.repeat(np.clip(np.rint(frame), 0, 255).astype(np.uint8)[..., None], 3, axis=2))
    return frames


@pytest.mark.parametrize("name", ["gravel", "grass"])
def test_fractional_positions_on_a_tilted_plane(name):
    """Column x is sharpest at x·11/319: to a fifth of a frame, without a lean to either side."""
    focus = merge(tilted(range(COUNT), name)).focus
    expected = np.broadcast_to(np.arange(SIZE[1]) * (COUNT - 1) / (SIZE[1] - 1), SIZE)
    inner = np.s_[:, 32:-32]
    assert np.mean(np.isfinite(focus[inner])) > 0.9
    error = (focus - expected)[inner]
    assert np.nanmedian(np.abs(error)) < 0.2
    assert abs(np.nanmedian(error)) < 0.05
    assert np.nanmean(np.abs(error) < 1) > 0.95


def test_nothing_is_known_where_there_is_no_texture():
    focus = merge(tilted(range(COUNT), flat=slice(120, 220))).focus
    assert np.mean(np.isnan(focus[:, 140:200])) > 0.97
    assert np.mean(np.isfinite(focus[:, 20:100])) > 0.9


@pytest.mark.parametrize("count", [1, 2])
def test_one_or_two_frames_have_no_focus_map(count):
    frames = tilted(range(count))
    assert np.all(np.isnan(merge(frames).focus))
    found = covered(frames)
    assert (found.covered_fraction, found.gaps) == (0.0, ())


@pytest.mark.parametrize("size", [(61, 83), (60, 83), (61, 82)])
def test_odd_sizes(size):
    frames = [frame[: size[0], : size[1]] for frame in tilted(range(4))]
    view = merge(frames)
    assert view.focus.shape == size


@pytest.mark.parametrize(("scene", "station"), STATIONS)
def test_scenes_are_sharpest_where_they_are_in_focus(scene, station):
    """Focus maps against ray-traced depth, through what each frame was focused on."""
    found, view = truth(scene), merged(scene, station)
    reference, _ = scene_places(scene, station)
    planes_z = np.array([frame["focus_plane_z_mm"] for frame in found["frames"][station]])
    end = "deepest" if planes_z[reference] == planes_z.min() else "nearest"
    depth_mm = np.load(SCENES / scene / "truth" / f"{station}_{end}_depth.npz")["depth_32nds"] / 32
    z_mm = found["ends"][end]["camera_z_mm"] - depth_mm
    order = np.argsort(planes_z)
    expected = np.interp(z_mm, planes_z[order], order.astype(float))
    inside = (z_mm > planes_z.min()) & (z_mm < planes_z.max())
    error = (view.focus[::2, ::2] - expected)[inside]
    assert np.mean(np.isfinite(error)) > 0.9
    assert np.nanmedian(np.abs(error)) < 0.5
    assert abs(np.nanmedian(error)) < 0.2
    # depth edges and plain places: an eighth of a picture may be anything
    assert np.nanmean(np.abs(error) < 2) > 0.8


def gaps_of(scene, station, without=()):
    """Gaps as the job tells them: small ones are none, with responses so wide."""
    count = len(truth(scene)["frames"][station]) - len(without)
    found = scene_coverage(scene, station, without)
    return missing_slices(found.gaps, (), np.ones(count), found.response_width)


@pytest.mark.parametrize(("scene", "station"), STATIONS)
def test_complete_stacks_have_no_gaps(scene, station):
    assert gaps_of(scene, station) == ()


@pytest.mark.parametrize(
    ("scene", "station", "without"),
    [
        ("minerals", "left", (8, 9)),
        ("minerals", "right", (17, 18)),
        ("gears", "station_2", (8,)),
        ("gears", "station_4", (8, 9)),
        ("shells", "left", (8, 9)),
        ("shells", "right", (12, 13)),
    ],
)
def test_missing_slices_are_found(scene, station, without):
    """Where frames were taken out, and nowhere else; the width in steps to about a step."""
    (gap,) = gaps_of(scene, station, without)
    assert gap.after_frame in (without[0] - 2, without[0] - 1)
    assert gap.width_steps == pytest.approx(len(without) + 1, abs=1.2)
    assert 0 < gap.share < 0.5


def shares_at_the_ends(numbers):
    found = covered(tilted(list(numbers)))
    return found.share_at_first, found.share_at_last


def test_a_stack_that_begins_or_ends_too_late_says_so():
    """The plane begins at frame 0 and ends at frame 11: what is cut off is missing at that end only."""
    whole = shares_at_the_ends(range(COUNT))
    late = shares_at_the_ends(range(4, COUNT))
    early = shares_at_the_ends(range(COUNT - 4))
    assert max(whole) < 0.01
    # the share from which the job reports it; complete stacks of small, noisy frames must stay below
    assert min(late[0], early[1]) > 0.03
    assert late[1] == pytest.approx(whole[1], abs=0.01)
    assert early[0] == pytest.approx(whole[0], abs=0.01)


@pytest.mark.parametrize("knocked", [0, 1, 2, 5, 6, 7])
def test_a_frame_beside_the_others_is_no_end_of_the_stack(knocked):
    """It does not see the left quarter: nothing is said there of where the stack should have gone on."""
    places = [Similarity(shift_x_px=80.0 if k == knocked else 0.0) for k in range(8)]
    frames = tilted(range(2, 10))
    frames[knocked][:, :240] = frames[knocked][:, 80:]
    straight, beside = (merge(frames, given).focus for given in ([Similarity()] * 8, places))
    first = np.s_[:, 8:64]
    if knocked not in (0, 7):
        assert np.mean(beside[first] > 6.5) < 0.01
    assert np.mean(beside[first] == -1) <= np.mean(straight[first] == -1) + 0.05


def test_nothing_measured_is_nothing_covered():
    nowhere = np.full((40, 60), np.nan, np.float32)
    found = coverage(nowhere, Responses(nowhere[::8, ::8], nowhere[::8, ::8]), 10)
    assert found.covered_fraction == 0
    assert found.gaps == ()


def test_flat_frames_say_nothing():
    frames = [np.full((*SIZE, 3), 128, np.uint8)] * 6
    assert np.all(np.isnan(merge(frames).focus))
    assert covered(frames).covered_fraction == 0


def test_more_blur_between_is_measured_as_a_narrower_response():
    """Twice the step: half the frames of the same plane have a response half as wide, in frames."""
    every, second = (covered(tilted(range(0, COUNT, step))).response_width for step in (1, 2))
    assert every / second == pytest.approx(2, rel=0.35)


@pytest.mark.parametrize("per_px", [2, 4])
def test_energies_of_halves_and_of_quarters(per_px):
    """Exact Gaussian responses whose peak walks across the picture are found at either size."""
    size, frames = (12, 1900), 11
    peaks = np.linspace(0.5, frames - 1.5, size[1])
    tracker = FocusTracker(size, per_px)
    for energy in walking(size, range(frames), peaks):
        tracker.add(energy)
    full = (per_px * size[0] - 1, per_px * size[1] - 1)
    focus = tracker.finish(full)
    assert focus.shape == full
    known = np.isfinite(focus)
    assert known.mean() > 0.95
    where = np.interp((np.arange(full[1]) + 0.5) / per_px - 0.5, np.arange(size[1]), peaks)
    assert np.max(np.abs(focus - where)[known]) < 0.02


SIGMA = 1.3


def walking(size, numbers, peaks):
    """Energies of frames whose exact Gaussian responses peak in frame peaks[x] at column x."""
    for number in numbers:
        energy = np.exp(-((number - peaks) ** 2) / (2 * SIGMA**2))
        yield np.broadcast_to(energy, size).astype(np.float32) + np.float32(1e-4)


def followed(size, numbers, peaks):
    """What the stack of those energies covers."""
    pixels, blocks = FocusTracker(size), ResponseTracker(size)
    for energy in walking(size, numbers, peaks):
        pixels.add(energy)
        blocks.add(energy)
    return coverage(pixels.finish((2 * size[0], 2 * size[1])), blocks.finish(), len(numbers))


def test_the_width_of_exact_responses():
    found = followed((12, 600), range(11), np.linspace(0.5, 9.5, 600))
    assert found.response_width == pytest.approx(SIGMA, rel=0.02)
    assert found.gaps == ()
    assert found.covered_fraction > 0.98


def test_a_gap_of_exact_responses():
    """Where two frames were left out the response is half as wide, in frames, or less."""
    (gap,) = followed((8, 1900), [*range(8), *range(10, 20)], np.linspace(0.5, 18.5, 1900)).gaps
    assert gap.after_frame in (6, 7)
    assert gap.width_steps > 1.5
