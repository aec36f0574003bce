"""The whole job on ray-traced shoots whose truth is known to the last pixel.

The scenes were rendered by a physically based renderer, independent of this project; what was cut from them
is said in tests/data/make_scenes.py. Bounds are set from both sides: too good to be true is wrong as well.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from benchmarks.judge import (
    Shoot,
    on_mounted,
    parallax_error,
    psnr_db,
    true_deviation_px,
    vertical_residual_px,
)
from benchmarks.product import merge_files, registered_frames
from benchmarks.textbook import depth_map_merge, pyramid_merge
from benchmarks.truth import load

from nearpair.plan.compute import plan
from nearpair.plan.request import Camera, Request, Subject
from support.cards import mirrored, mixed, swapped
from support.jobs import Done, scene_done, sort

DATA = Path(__file__).parents[1] / "data" / "scenes"
EYES = ("left", "right")

# PSNR (dB) of the views against the pinhole picture, lower and upper bound. At 600 x 400 the ground is fine
# texture of pixel size, which warping and JPEG alone cost some 30 dB; above 40 dB the truth itself was used.
VIEW_DB = {"minerals": (26, 40), "gears": (28, 40), "shells": (26.5, 40)}
# What hearing both eyes gains over merging each alone (measured: 0.10, 0.49, 0.23 dB).
GAINED_DB = {"minerals": 0.05, "gears": 0.35, "shells": 0.15}
CAMERAS = {
    "minerals": (Camera(36, 24, 100, 4.0), 0.5),
    "gears": (Camera(23.5, 15.6, 60, 4.0), 0.4),
    "shells": (Camera(36, 24, 105, 6.3), 0.7),
}
"""Camera of each scene, and the magnification at the middle of its focus."""
SCENES = [DATA / "minerals", DATA / "gears", DATA / "shells"]


def folders_of(scene):
    return [scene.folder / scene.left, scene.folder / scene.right]


@pytest.fixture(scope="module", params=SCENES, ids=lambda folder: folder.name)
def scene(request):
    return load(request.param)


@pytest.fixture(scope="module")
def done(scene, tmp_path_factory):
    return Done(Shoot.load(scene_done(scene, tmp_path_factory)))


def check_stacks(done, scene, stations):
    """Every frame in its stack, in shooting order; which end is near; how focus was moved."""
    for eye, true in zip(EYES, stations, strict=True):
        station = done.shoot.station(eye)
        assert done.files(eye) == [file for file, frame in scene.frames.items() if frame.station == true]
        assert station["order"] == scene.orders[true]
        assert station["kind"] == scene.kind
    assert done.shoot.proof["set_aside"] == []


def test_eyes_order_and_kind_are_found(done, scene):
    check_stacks(done, scene, (scene.left, scene.right))


def test_both_views_are_drawn_from_the_same_end(done, scene):
    # other ends would differ in scale and perspective, which no mounting takes back
    ends = {scene.end(done.reference(eye)) for eye in EYES}
    assert len(ends) == 1
    assert None not in ends


@pytest.mark.parametrize("eye", EYES)
def test_a_view_is_sharp_and_in_place(done, scene, eye):
    least, most = VIEW_DB[scene.folder.name]
    assert least < psnr_db(done.shoot.view(eye), scene.view(done.reference(eye))) < most


def test_a_view_beats_the_textbook(done, scene):
    """The same registered frames, merged by Burt & Adelson 1983 and by Nayar & Nakagawa 1994."""
    station = done.shoot.station("left")
    files = [scene.folder / scene.left / name for name in done.files("left")]
    frames = list(registered_frames(files, station["kind"], station["reference_frame"]))
    truth = scene.view(done.reference("left"))
    ours = psnr_db(done.shoot.view("left"), truth)
    assert ours > psnr_db(pyramid_merge(frames), truth)
    assert ours > psnr_db(depth_map_merge(frames)[0], truth) - 0.5


def test_both_eyes_heard_make_a_better_view_than_one(done, scene):
    """The same frames merged without what the other station knows."""
    station = done.shoot.station("left")
    files = [scene.folder / scene.left / name for name in done.files("left")]
    alone = merge_files(files, station["kind"], station["reference_frame"]).rgb
    truth = scene.view(done.reference("left"))
    gained_db = psnr_db(done.shoot.view("left"), truth) - psnr_db(alone, truth)
    assert GAINED_DB[scene.folder.name] < gained_db < 1


def test_parallax_is_the_true_one(done, scene):
    error = parallax_error(done.shoot, scene.disparity_px(done.reference("left")))
    assert error.median_px < 0.25
    # thin things and what only one eye sees: guessed from around, so a twentieth may be off by a few px
    assert error.p95_px < 4
    assert error.known_share > 0.7


def test_the_deviation_is_the_true_one(done, scene):
    deviation_px = true_deviation_px(done.shoot, scene.disparity_px(done.reference("left")))
    assert done.shoot.proof["depth"]["deviation_px"] == pytest.approx(deviation_px, rel=0.08, abs=0.5)


def test_a_plan_predicts_the_deviation_that_is_measured(done, scene):
    """From what the scene's truth.json says of lens and base, and the depth of what the picture shows."""
    camera, magnification = CAMERAS[scene.folder.name]
    shown_mm = on_mounted(done.shoot, scene.depth_mm(done.reference("left")), half=True)
    near_mm, far_mm = np.nanpercentile(shown_mm, [1, 99])  # as the proof measures it
    camera = replace(camera, width_px=done.shoot.view("left").shape[1])
    subject = Subject(depth_mm=float(far_mm - near_mm), magnification=magnification)
    planned = plan(Request(camera, subject, kind=scene.kind, base_mm=scene.base_mm), "test")
    true_px = true_deviation_px(done.shoot, scene.disparity_px(done.reference("left")))
    assert planned.stereo.deviation_px == pytest.approx(true_px, rel=0.03)
    measured_px = done.shoot.proof["depth"]["deviation_px"]
    assert planned.stereo.deviation_px == pytest.approx(measured_px, rel=0.05)


def test_the_pair_is_level_and_the_proof_says_so(done):
    mounted = [done.shoot.mounted(eye) for eye in EYES]
    assert mounted[0].shape == mounted[1].shape
    measured = vertical_residual_px(*mounted)
    assert measured < 0.5
    said = done.shoot.proof["mounting"]["residual_vertical_px"]
    assert said["rms"] < 0.5
    assert said["rms"] == pytest.approx(measured, abs=0.35)


def test_frames_of_a_whole_card_under_new_names(tmp_path):
    """Names tell nothing; the clock in the frames still does."""
    scene = load(DATA / "gears")
    origin = mixed(folders_of(scene), tmp_path / "card")
    done = sort([tmp_path / "card"], origin)
    check_stacks(done, scene, (scene.left, scene.right))


def test_folders_with_the_wrong_names(tmp_path):
    """The pictures tell the eyes, and the proof says that the names do not fit."""
    scene = load(DATA / "minerals")
    folders = swapped(*folders_of(scene), tmp_path)
    done = sort(folders)
    check_stacks(done, scene, (scene.left, scene.right))
    assert done.shoot.proof["eyes"]["left"] == "right"
    assert done.shoot.proof["eyes"]["contradiction"]


def test_in_a_mirror_the_eyes_change_places(tmp_path):
    scene = load(DATA / "shells")
    folders = [tmp_path / "first", tmp_path / "second"]
    for source, target in zip(folders_of(scene), folders, strict=True):
        mirrored(source, target)
    done = sort(folders)
    check_stacks(done, scene, (scene.right, scene.left))
