"""The judge is judged first: what it measures is compared with what is known beforehand."""

import json
from pathlib import Path

import numpy as np
import pytest
import tifffile
from benchmarks.judge import Shoot, crop_of, parallax_error, psnr_db, vertical_residual_px
from benchmarks.truth import FrameTruth, as_moved, load
from PIL import Image
from skimage.data import astronaut

SCENES = Path(__file__).parents[1] / "data" / "scenes"


@pytest.fixture(scope="module")
def sharp():
    return astronaut()[60:360, 80:480]


@pytest.mark.parametrize("name", ["minerals", "gears", "shells"])
def test_the_truth_of_a_scene_agrees_with_itself(name):
    """Parallel axes: the right view, moved by the left view's disparity, is the left view."""
    scene = load(SCENES / name)
    for end in ("deepest", "nearest"):
        of_left = [file for file, frame in scene.frames.items() if frame.station == scene.left]
        left = next(file for file in of_left if scene.end(file) == end)
        disparity_px = scene.disparity_px(left)
        views = [
            np.asarray(Image.open(scene.folder / "truth" / f"{station}_{end}_allinfocus.jpg")).astype(int)
            for station in (scene.left, scene.right)
        ]
        rows, columns = np.indices(disparity_px.shape) * 2

        def apart(shift_px, views=views, rows=rows, columns=columns, disparity_px=disparity_px):
            source = np.rint(columns - disparity_px + shift_px).astype(int)
            seen = source >= 0
            return np.median(np.abs(views[0][rows, columns] - views[1][rows, source])[seen])

        assert apart(0) < 0.7 * min(apart(-2), apart(2))


@pytest.mark.parametrize("name", ["minerals", "gears", "shells"])
def test_both_ends_of_every_stack_have_a_truth(name):
    scene = load(SCENES / name)
    for station in (scene.left, scene.right):
        files = [file for file, frame in scene.frames.items() if frame.station == station]
        assert files == sorted(file.name for file in (scene.folder / station).iterdir())
        assert {scene.end(file) for file in (files[0], files[-1])} == {"deepest", "nearest"}
        assert scene.end(files[1]) is None
        assert scene.view(files[0]).shape == (400, 600, 3)


def test_a_frame_is_moved_right_and_down():
    picture = np.zeros((41, 61, 3), dtype=np.uint8)
    picture[20, 30] = 200
    moved = as_moved(picture, FrameTruth("s", 0, (3.0, 2.0), 0.0))
    assert np.unravel_index(moved[..., 0].argmax(), (41, 61)) == (22, 33)


def test_a_roll_is_counter_clockwise():
    picture = np.zeros((61, 61, 3), dtype=np.uint8)
    picture[29:32, 49:52] = 200  # right of the centre: goes up
    moved = as_moved(picture, FrameTruth("s", 0, (0.0, 0.0), 90.0))
    assert moved[10, 30, 0] > 150


def test_psnr_has_its_textbook_value(sharp):
    # a mean square error of 1 is 48.13 dB, 25 is 34.15 dB (20·log10(255) − 10·log10(MSE), definition)
    random = np.random.default_rng(5)
    middle = np.clip(sharp, 40, 200)
    for off, expected_db in ((1, 48.13), (5, 34.15)):
        sign = random.choice([-off, off], size=sharp.shape)
        assert psnr_db((middle + sign).astype(np.uint8), middle) == pytest.approx(expected_db, abs=0.1)


def test_psnr_leaves_brightness_out_but_not_contrast(sharp):
    middle = np.clip(sharp, 40, 200)
    darker = np.rint(middle * 0.95).astype(np.uint8)
    flatter = np.rint(120 + 0.8 * (middle.astype(float) - 120)).astype(np.uint8)
    assert psnr_db(darker, middle) > 40
    assert psnr_db(flatter, middle) < 30


def test_vertical_residual_is_measured(sharp):
    assert vertical_residual_px(sharp, sharp) < 0.05
    assert vertical_residual_px(sharp[:-1], sharp[1:]) == pytest.approx(1.0, abs=0.05)


@pytest.fixture
def finished(tmp_path, sharp):
    """A finished shoot whose mounted pair and parallax are known: everything at −3 px, with one hole."""
    for folder in ("views", "pair"):
        (tmp_path / folder).mkdir()
    tifffile.imwrite(tmp_path / "views" / "b.tif", sharp, photometric="rgb")
    tifffile.imwrite(tmp_path / "pair" / "left.tif", sharp[20:220, 30:330], photometric="rgb")
    parallax_px = np.full((200, 300), -3.0, dtype=np.float32)
    parallax_px[:, 290:] = np.nan
    tifffile.imwrite(tmp_path / "pair" / "parallax.tif", parallax_px)
    stations = [{"name": "a", "frames": ["1.jpg"]}, {"name": "b", "frames": ["2.jpg", "3.jpg"]}]
    for station in stations:
        station["reference_frame"] = len(station["frames"]) - 1
    proof = {"eyes": {"left": "b", "right": "a"}, "stations": stations}
    (tmp_path / "proof.json").write_text(json.dumps(proof))
    return Shoot.load(tmp_path)


def test_a_finished_shoot_is_read_by_its_contract(finished):
    assert finished.reference_file("left") == "3.jpg"
    assert finished.reference_file("right") == "1.jpg"
    assert crop_of(finished) == (30, 20)


def test_a_mounted_picture_that_is_no_crop_is_refused(finished, sharp):
    tifffile.imwrite(finished.folder / "pair" / "left.tif", sharp[20:220, 30:330] // 2, photometric="rgb")
    with pytest.raises(AssertionError, match="no crop of the left view"):
        crop_of(finished)


def test_parallax_error_leaves_the_window_out_and_keeps_the_place(finished):
    true = np.full((300, 400), 11.0)
    # on the left view; the mounted picture begins at x = 30: 30 of its 290 known columns are off by 4
    true[:, 30:60] = 7.0
    spread = parallax_error(finished, true, half=False)
    assert spread.median_px == 0
    assert spread.p95_px == pytest.approx(4.0)
    assert spread.known_share == pytest.approx(290 / 300)
