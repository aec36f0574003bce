"""What is told in mm when lens data, focus or depth are missing: less, never something wrong."""

import shutil

import numpy as np
import pytest
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from nearpair.frames.write import read_tiff
from nearpair.shoot.deciding import Overrides
from nearpair.shoot.run import make, run
from support.tiny import cut, only, shells

FIELD_MM = 51.4  # of the scene: 36 mm over 0.7


def bare(folders):
    """Save the frames again without any metadata."""
    for file in sorted(path for folder in folders for path in folder.iterdir()):
        with Image.open(file) as picture:
            picture.load()
        file.unlink()
        picture.save(file.with_suffix(".png"))
    return folders


def test_a_rail_without_lens_data_gives_all_from_base_and_step(tmp_path):
    """Every fourth frame of steps of 0.99 mm: 3.96 mm. The base of the scene is 8 mm."""
    shoot = tmp_path / "shoot"
    proof = make(bare(shells(tmp_path / "card")), shoot, Overrides(base_mm=8.0, step_mm=3.96))
    assert "lens" not in proof.metric.rests_on
    assert proof.metric.distance_mm == pytest.approx(236, rel=0.05)
    true = FIELD_MM / 300 * 236 / 255
    off = proof.metric.scale_error_share
    assert off < 0.1
    assert proof.metric.window_mm_per_px == pytest.approx(true, rel=off)
    assert proof.metric.range_mm == pytest.approx(18.9, rel=0.1)
    # base alone: sizes, but no distance and so no depth
    toml = shoot / "shoot.toml"
    toml.write_text(toml.read_text().replace("step_mm = 3.96\n", ""))
    alone = run(shoot, "proof").metric
    assert alone.window_mm_per_px == pytest.approx(proof.metric.window_mm_per_px, rel=0.02)
    assert (alone.step, alone.distance_mm, alone.range_mm) == (None, None, None)
    assert not (shoot / "pair" / "depth.tif").exists()


def test_single_frames_have_sizes_from_the_field_and_a_rough_base(tmp_path):
    folders = bare(only(shells(tmp_path / "card"), {2}))
    shutil.rmtree(folders[1])
    folders = [folders[0], only(cut("shells", ("right",), tmp_path / "other"), {3})[0]]
    metric = make(
        [folders[0], bare(folders[1:])[0]], tmp_path / "shoot", Overrides(field_width_mm=FIELD_MM)
    ).metric
    assert metric.window_mm_per_px * 300 / FIELD_MM == pytest.approx(1, rel=0.15)
    assert metric.base.measured_mm == pytest.approx(8.0, abs=metric.base.measured_error_mm)
    assert metric.range_mm is None


def test_a_ring_without_lens_data_gives_depth_from_the_step(tmp_path):
    """Every fourth frame of steps of 1.357 mm: 5.43 mm."""
    shoot = tmp_path / "shoot"
    folders = bare(cut("minerals", ("left", "right"), tmp_path / "card"))
    metric = make(folders, shoot, Overrides(step_mm=5.426, field_width_mm=66.4)).metric
    # in pictures of 257 px, with 2.7 px from near to far, the range comes out 10 % short: more than said
    assert metric.range_mm == pytest.approx(21.8, abs=1.3 * metric.range_error_mm)
    # the step against the disparity tells the distance, roughly
    assert metric.distance_mm == pytest.approx(294.8, abs=metric.distance_error_mm)
    assert 0.05 < metric.distance_error_mm / metric.distance_mm < 0.3
    assert metric.window_mm_per_px * 300 / 66.4 == pytest.approx(294.8 / 284.4, rel=0.03)
    assert np.isfinite(read_tiff(shoot / "pair" / "depth.tif")).mean() > 0.5


def recorded(folders, start_mm, step_mm):
    """Give frames without metadata the focus distance that a camera would record, to a whole mm."""
    for folder in folders:
        for number, file in enumerate(sorted(folder.iterdir())):
            exif = Image.Exif()
            exif[0x8769] = {0x9206: IFDRational(round(start_mm + number * step_mm), 1000)}
            with Image.open(file) as picture:
                picture.load()
            picture.save(file, exif=exif)
    return folders


def test_recorded_distances_tell_the_step_of_a_ring_only_where_nothing_else_does(tmp_path):
    """Every fourth frame of steps of 1.357 mm, and a camera that says 6 mm for 5.43 mm (10 % off)."""
    shoot = tmp_path / "shoot"
    folders = recorded(bare(cut("minerals", ("left", "right"), tmp_path / "card")), 330, -6.0)
    metric = make(folders, shoot, Overrides(field_width_mm=66.4)).metric
    assert "recorded" in metric.rests_on
    assert metric.step.stated_mm is None
    assert abs(metric.step.used_mm - 5.426) < metric.step.error_mm
    assert 0.25 < metric.step.error_mm / metric.step.used_mm < 0.45
    toml = shoot / "shoot.toml"
    toml.write_text(
        toml.read_text().replace("field_width_mm = 66.4", "field_width_mm = 66.4\nstep_mm = 5.426")
    )
    stated = run(shoot, "proof").metric
    assert "recorded" not in stated.rests_on
    assert stated.step.used_mm == pytest.approx(5.426, rel=0.01)
    assert not stated.step.contradicted
