"""Merging: what must hold of any merge, and how near it comes to the sharp picture.

Compared with the textbook methods of `benchmarks.textbook` (sources there), measured by scikit-image's
peak_signal_noise_ratio; moved frames with scikit-image's warp.
"""

import itertools
import os
import tracemalloc

import cv2
import numpy as np
import pytest
from benchmarks.textbook import pyramid_merge
from benchmarks.truth import load
from hypothesis import given, settings
from hypothesis import strategies as st
from skimage.metrics import peak_signal_noise_ratio
from skimage.transform import warp

from nearpair.geometry.transforms import Similarity
from nearpair.views.merge import Merger, levels_for, only
from nearpair.views.worth import Worth
from support.driven import defocused
from support.merging import judged, merge, merged, moved_by_opencv, pictures, planes_of, scene_places
from support.surveys import SCENES, frame_files
from support.textures import about_centre, photograph

SIZES = [(1, 1), (1, 40), (3, 5), (24, 24), (47, 48), (49, 131), (120, 97)]


def cut_out(name, size, dtype=np.uint8):
    """A piece of a photograph; 16 bits with more than 8 bits' worth of values."""
    piece = np.ascontiguousarray(photograph(name)[100 : 100 + size[0], 100 : 100 + size[1]])
    if dtype == np.uint8:
        return piece
    rng = np.random.default_rng(61)
    return np.clip(piece.astype(int) * 257 + rng.integers(-128, 129, piece.shape), 0, 65535).astype(np.uint16)


def apart(one, other):
    return int(np.max(np.abs(one.astype(int) - other.astype(int))))


@pytest.fixture(scope="module")
def sharp():
    return np.ascontiguousarray(photograph("astronaut")[40:280, 40:360])


@pytest.fixture(scope="module")
def halves(sharp):
    """Two frames, each sharp on one side and blurred on the other, with a soft change between."""
    blurred = cv2.GaussianBlur(sharp, (0, 0), 4).astype(float)
    left = np.clip((np.arange(320) - 140) / 40, 0, 1)[None, :, None]
    return [np.rint(mix * blurred + (1 - mix) * sharp).astype(np.uint8) for mix in (left, 1 - left)]


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("size", SIZES)
def test_a_single_frame_is_returned_exactly(size, dtype):
    frame = cut_out("coffee", size, dtype)
    view = only(frame)
    assert view.rgb.dtype == dtype
    np.testing.assert_array_equal(view.rgb, frame)
    assert view.focus.shape == size
    assert np.all(np.isnan(view.focus))


@pytest.mark.parametrize("count", [2, 3, 9])
@pytest.mark.parametrize("size", SIZES)
def test_identical_frames_give_the_frame(size, count):
    frame = cut_out("astronaut", size)
    assert apart(merge([frame] * count).rgb, frame) <= 1


@pytest.mark.parametrize("size", SIZES)
def test_identical_frames_of_sixteen_bits_give_the_frame(size):
    """To three codes of 65535: the planes inside have 15 bits, luma and both chromas."""
    frame = cut_out("astronaut", size, np.uint16)
    view = merge([frame] * 3)
    assert view.rgb.dtype == np.uint16
    assert apart(view.rgb, frame) <= 3


@given(st.integers(20, 70), st.integers(20, 70), st.integers(0, 2**32 - 1))
@settings(deadline=None, max_examples=25)
def test_identical_frames_of_noise_give_the_frame(height, width, seed):
    frame = np.random.default_rng(seed).integers(0, 256, (height, width, 3), dtype=np.uint8)
    assert apart(merge([frame] * 2).rgb, frame) <= 1


def test_the_order_of_frames_does_not_matter(halves, sharp):
    frames = [*halves, cv2.GaussianBlur(sharp, (0, 0), 2)]
    views = [merge(list(order)).rgb for order in itertools.permutations(frames)]
    assert max(apart(views[0], view) for view in views[1:]) <= 1


def test_eight_and_sixteen_bits_agree(halves):
    shallow = merge(halves).rgb
    deep = merge([frame.astype(np.uint16) * 257 for frame in halves]).rgb
    assert (shallow.dtype, deep.dtype) == (np.uint8, np.uint16)
    assert np.max(np.abs(deep / 257 - shallow)) <= 1


def test_half_sharp_frames_give_a_sharp_picture(halves, sharp):
    """From 25 dB each; where only one frame is sharp the picture is that frame's."""
    view = merge(halves).rgb
    assert peak_signal_noise_ratio(sharp, view) > 36
    assert all(peak_signal_noise_ratio(sharp, frame) < 27 for frame in halves)
    difference = np.abs(view.astype(int) - sharp)
    assert np.mean(difference[:, 20:100]) < 0.5
    assert np.mean(difference[:, 220:300]) < 0.5


@pytest.mark.parametrize(
    ("name", "noise"), [("coffee", 0), ("astronaut", 2.5), ("chelsea", 2.5), ("gravel", 5)]
)
def test_a_stack_comes_nearer_than_the_textbook(name, noise):
    """Twelve frames of a tilted plane with a camera's noise, which the largest coefficients pick."""
    rng = np.random.default_rng(62)
    sharp = np.ascontiguousarray(photograph(name)[40:280, 40:360])
    planes = [np.ascontiguousarray(sharp[..., c]).astype(np.float32) for c in range(3)]
    frames = []
    for k in range(12):
        frame = np.stack([defocused(plane, k * 319 / 11, 25) for plane in planes], axis=2)
        frames.append(np.clip(np.rint(frame + rng.normal(0, noise, frame.shape)), 0, 255).astype(np.uint8))
    ours, textbook = (peak_signal_noise_ratio(sharp, p) for p in (merge(frames).rgb, pyramid_merge(frames)))
    assert ours > 33
    assert ours > textbook + (0.3 if noise == 0 else 1.5)


@pytest.mark.parametrize(
    ("scene", "station"), [("minerals", "left"), ("gears", "station_4"), ("shells", "right")]
)
def test_scenes_come_nearer_to_their_truth_than_the_textbook(scene, station):
    """Ray-traced pinhole pictures (truth of the scenes); both merges get the same registration."""
    reference, places = scene_places(scene, station)
    frames = pictures(scene, station)
    truth = load(SCENES / scene).view(frame_files(scene, station)[reference].name)
    inner = np.s_[12:-12, 12:-12]
    textbook = peak_signal_noise_ratio(truth[inner], pyramid_merge(moved_by_opencv(frames, places))[inner])
    ours = peak_signal_noise_ratio(truth[inner], merged(scene, station).rgb[inner])
    assert ours > 26.5
    assert ours > textbook + 1


@pytest.mark.parametrize(
    ("scale", "roll_deg", "shift_px"),
    [(1, 0, (3.3, -2.7)), (0.93, 0.5, (4.2, 3.1)), (1.07, -0.8, (-5.5, 2.25)), (1, 0.05, (0, 0))],
)
@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_a_frame_is_moved_as_scikit_image_moves_it(scale, roll_deg, shift_px, dtype):
    frame = cv2.GaussianBlur(cut_out("astronaut", (201, 303), dtype), (0, 0), 1.5)
    size, full = frame.shape[:2], np.iinfo(dtype).max
    moved = about_centre(size, scale, roll_deg, shift_px)
    m = moved.params
    place = Similarity(m[0, 0], m[1, 0], m[0, 2], m[1, 2])
    expected = warp(frame / full, moved.inverse, order=3, mode="edge")
    seen = warp(np.ones(size), moved.inverse, order=0, mode="constant") > 0
    inside = cv2.erode(seen.astype(np.uint8), np.ones((9, 9))) > 0
    found = merge([frame], [place]).rgb / full
    assert np.max(np.abs(found - expected)[inside]) < 1.6 / 255


def test_the_place_of_a_frame_is_where_its_content_lands():
    """A dot at (30, 20), place 5 to the right and 3 up: at (35, 17)."""
    frame = np.zeros((48, 64, 3), np.uint8)
    frame[20, 30] = 255
    view = merge([frame], [Similarity(shift_x_px=5.0, shift_y_px=-3.0)]).rgb
    assert np.unravel_index(np.argmax(view[..., 1]), (48, 64)) == (17, 35)


@pytest.mark.parametrize("filling", [0, 128, 255])
@pytest.mark.parametrize("across", [41, 96])
def test_nothing_leaks_in_from_outside_a_frame(sharp, filling, across):
    """A frame of only the right part says nothing about the left part, whatever lies at its border."""
    reference = cv2.GaussianBlur(sharp, (0, 0), 3)
    other = np.full_like(sharp, filling)
    alone = merge([reference, reference]).rgb
    both = merge([reference, other], [Similarity(), Similarity(shift_x_px=float(across))]).rgb
    # coarse bands of what it does show reach a little to the left of where it begins
    assert apart(both[:, : across - 24], alone[:, : across - 24]) <= 1


def test_a_sharp_frame_that_covers_a_part_gives_that_part(sharp):
    reference = cv2.GaussianBlur(sharp, (0, 0), 3)
    other = np.zeros_like(sharp)
    other[:, :220] = sharp[:, 100:]
    view = merge([reference, other], [Similarity(), Similarity(shift_x_px=100.0)]).rgb
    assert np.mean(np.abs(view[:, 110:].astype(int) - sharp[:, 110:])) < 0.5
    assert apart(view[:, :60], reference[:, :60]) <= 3


def test_the_focus_map_names_no_frame_that_does_not_see_the_place(sharp):
    """The second frame is the sharpest, but begins at column 100."""
    frames = [cv2.GaussianBlur(sharp, (0, 0), s) for s in (2, 0.5, 3)]
    frames[1][:, :220] = frames[1][:, 100:]
    places = [Similarity(), Similarity(shift_x_px=100.0), Similarity()]
    focus = merge(frames, places).focus
    left, right = focus[:, :92], focus[:, 116:]
    assert not np.any(np.abs(left - 1) < 0.5)
    assert np.nanmedian(np.abs(right - 1)) < 0.2


def test_brightness_is_evened_out(sharp, halves):
    dim = np.rint(halves[1] * 0.8).astype(np.uint8)
    evened = merge([halves[0], dim], brightness=[1.0, 0.8]).rgb
    assert peak_signal_noise_ratio(merge(halves).rgb, evened) > 45


def test_saturated_colours_survive_brightening():
    """Pure colours at full value in frames said to be dim: white stays white, yellow gets no blue."""
    colours = [(255, 255, 0), (0, 0, 255), (255, 0, 0), (0, 255, 255), (0, 255, 0), (255, 0, 255)]
    frame = np.repeat(np.repeat(np.array([colours], np.uint8), 64, axis=0), 32, axis=1)
    for brightness in (1.0, 0.97, 0.7):
        view = merge([frame, frame], brightness=[brightness] * 2).rgb
        assert apart(view, frame) <= 1


def test_chroma_of_half_size_files_loses_little():
    """JPEG 4:2:0 keeps colour at half size: merged at half size it comes out nearly as it was decoded."""
    frame = cut_out("coffee", (120, 161))
    _, coded = cv2.imencode(".jpg", frame[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 95])
    decoded = np.ascontiguousarray(cv2.imdecode(coded, cv2.IMREAD_COLOR)[..., ::-1])
    full, half = (merge([decoded] * 2, chroma_halved=halved).rgb for halved in (False, True))
    assert apart(full, decoded) <= 1
    assert np.mean(np.abs(half.astype(int) - decoded)) < 1.0
    # luma is not touched
    grey = [cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY).astype(int) for picture in (half, decoded)]
    assert np.mean(np.abs(grey[0] - grey[1])) < 0.3


@pytest.mark.parametrize(
    ("scene", "station"), [("minerals", "left"), ("gears", "station_4"), ("shells", "right")]
)
def test_what_is_not_looked_at_is_not_missed(scene, station):
    """Against the ray-traced pinhole picture: as near to it as with every frame looked at all over."""
    reference, _ = scene_places(scene, station)
    truth = load(SCENES / scene).view(frame_files(scene, station)[reference].name)
    part, whole = (merged(scene, station, everywhere=all_over).rgb for all_over in (False, True))
    assert peak_signal_noise_ratio(truth, part) > peak_signal_noise_ratio(truth, whole) - 0.05
    assert np.mean(np.abs(part.astype(int) - whole)) < 0.6
    assert peak_signal_noise_ratio(whole, part) > 38


@pytest.mark.parametrize("chroma_halved", [False, True])
def test_looking_at_everything_is_what_is_done_without_worth(halves, chroma_halved):
    """Up to the energies that blocks pass on, which are set anew wherever a block is looked at."""
    everything = [Worth(np.ones((30, 40), np.bool_), np.full((30, 40), 7, np.float32))] * 2
    views = [merge(halves, worth=worth, chroma_halved=chroma_halved) for worth in (None, everything)]
    np.testing.assert_array_equal(views[0].rgb, views[1].rgb)
    np.testing.assert_array_equal(views[0].focus, views[1].focus)


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("chroma_halved", [False, True])
def test_small_pictures_by_what_they_are_worth(size, chroma_halved):
    """With fewer than two bands all of every frame is needed; with more, nothing is missed here either."""
    frames = [cut_out("coffee", size), cv2.GaussianBlur(cut_out("coffee", size), (0, 0), 2)]
    worth = judged(frames, [Similarity()] * 2, 0, chroma_halved)
    part, whole = (merge(frames, worth=given, chroma_halved=chroma_halved).rgb for given in (worth, None))
    if levels_for(size) < 2:
        np.testing.assert_array_equal(part, whole)
    assert np.mean(np.abs(part.astype(int) - whole)) < 0.3


@pytest.mark.parametrize("chroma_halved", [False, True])
def test_the_number_of_threads_does_not_matter(halves, monkeypatch, chroma_halved):
    places = [Similarity(), Similarity.about((160, 120), 1.004, 0.1, (1.3, -0.4))]
    worth = judged(halves, places, 0, chroma_halved)
    assert not all(own.looked_at.all() for own in worth)
    for looked_at in (None, worth):
        views = []
        for cores in (1, 2, 7):
            monkeypatch.setattr(os, "cpu_count", lambda cores=cores: cores)
            views.append(merge(halves, places, worth=looked_at, chroma_halved=chroma_halved))
        for view in views[1:]:
            for part in ("rgb", "focus"):
                np.testing.assert_array_equal(getattr(view, part), getattr(views[0], part))


def test_frames_are_not_changed(halves):
    kept = [frame.copy() for frame in halves]
    merge(halves, [Similarity(), Similarity(shift_x_px=0.5)])
    view = only(halves[0])
    for before, after in zip(kept, halves, strict=True):
        np.testing.assert_array_equal(before, after)
    np.testing.assert_array_equal(view.rgb, halves[0])


@pytest.mark.parametrize("chroma_halved", [False, True])
def test_planes_are_only_read(halves, chroma_halved):
    """They may lie in a file that must not be written to."""
    planes = planes_of(halves[0], chroma_halved)
    parts = (planes.luma, planes.blue, planes.red)
    for plane in parts:
        plane.setflags(write=False)
    kept = [plane.copy() for plane in parts]
    worth = judged(halves, [Similarity()] * 2, 0, chroma_halved)
    merger = Merger(halves[0].shape[:2], chroma_halved=chroma_halved)
    for own in (None, *worth):
        merger.add(planes, Similarity(shift_x_px=0.5), worth=own)
    assert merger.finish().rgb.flags.writeable
    for plane, before in zip(parts, kept, strict=True):
        np.testing.assert_array_equal(plane, before)


def test_halved_planes_for_a_merger_of_full_ones(halves):
    """A stack with one file of another kind among its JPEGs is merged at full size."""
    merger = Merger(halves[0].shape[:2])
    for frame in halves:
        merger.add(planes_of(frame, True), Similarity())
    found, expected = merger.finish().rgb, merge(halves).rgb
    assert peak_signal_noise_ratio(expected, found) > 35
    grey = [cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY) for picture in (expected, found)]
    assert np.mean(np.abs(grey[0].astype(int) - grey[1])) < 0.5


def peak_bytes(frame, count):
    tracemalloc.start()
    try:
        merge([frame] * count, [Similarity(shift_x_px=0.25)] * count)
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_memory_does_not_grow_with_the_number_of_frames(sharp):
    peak_bytes(sharp, 2)
    assert peak_bytes(sharp, 60) < 1.05 * peak_bytes(sharp, 10)


@pytest.mark.parametrize(
    ("size", "levels"), [((1, 1), 0), ((47, 4000), 0), ((48, 48), 1), ((400, 600), 4), ((40000, 60000), 7)]
)
def test_bands_go_down_to_24_px(size, levels):
    assert levels_for(size) == levels


def test_expecting_all_frames_alike_changes_nothing(halves):
    alike = [np.full((30, 40), 255, np.uint8)] * 2
    np.testing.assert_array_equal(merge(halves).rgb, merge(halves, expected=alike).rgb)


@pytest.mark.parametrize("size", [(30, 40), (240, 320), (480, 640)])
def test_what_is_expected_tips_the_scale_but_forbids_nothing(halves, sharp, size):
    """Where two frames are as sharp, the expected one wins; one that is sharp wins against it."""
    brighter = np.clip(sharp.astype(int) + 20, 0, 255).astype(np.uint8)
    first, none = np.full(size, 255, np.uint8), np.ones(size, np.uint8)
    view = merge([sharp, brighter], expected=[first, none]).rgb
    assert np.mean(np.abs(view.astype(int) - sharp)) < 1
    wrong = merge(halves, expected=[none, first]).rgb
    left = np.s_[:, :100]
    assert (
        peak_signal_noise_ratio(sharp[left], wrong[left])
        > peak_signal_noise_ratio(sharp[left], halves[1][left]) + 6
    )


@pytest.mark.parametrize("size", [(30, 40), (240, 320)])
def test_what_is_hidden_has_no_say_however_sharp(halves, sharp, size):
    """A blurred frame against a sharp one; where nothing else is left, what is hidden is taken."""
    blurred = cv2.GaussianBlur(sharp, (0, 0), 12)
    all_of_it, hidden = np.full(size, 255, np.uint8), np.zeros(size, np.uint8)
    alone = merge([blurred]).rgb.astype(int)
    assert np.abs(merge([sharp, blurred], expected=[hidden, all_of_it]).rgb - alone).max() <= 2
    np.testing.assert_array_equal(
        merge(halves, expected=[hidden, hidden]).rgb, merge(halves, expected=[all_of_it] * 2).rgb
    )
