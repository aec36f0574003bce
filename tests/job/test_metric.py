"""Lengths in mm of ray-traced shoots whose base, step, lens and depth are known."""

import shutil
from pathlib import Path
from types import SimpleNamespace

import msgspec
import numpy as np
import pytest
from benchmarks.judge import Shoot
from benchmarks.truth import load

from nearpair.frames.write import read_tiff
from nearpair.shoot import decisions
from nearpair.shoot.decisions import Capture
from nearpair.shoot.run import run as go_on
from support.jobs import Done, scene_done

DATA = Path(__file__).parents[1] / "data" / "scenes"

# Focus distance of the reference frame from the entrance pupil, focal length, sensor width in mm: truth.json
# of the full-size scenes that these were cut from.
LENSES = {"shells": (255.0, 105.0, 36.0), "gears": (210.0, 60.0, 23.5), "minerals": (284.4, 100.0, 36.0)}


@pytest.fixture(scope="module", params=LENSES)
def scene(request):
    return load(DATA / request.param)


@pytest.fixture(scope="module")
def done(scene, tmp_path_factory):
    target = tmp_path_factory.mktemp(scene.folder.name) / "shoot"
    return Done(Shoot.load(shutil.copytree(scene_done(scene, tmp_path_factory), target)))


@pytest.fixture
def true(scene, done):
    """All that is true of the shoot, the true depth of the mounted pair and the window's true distance."""
    distance_mm, focal_mm, sensor_mm = LENSES[scene.folder.name]
    file = done.reference("left")
    scale = distance_mm / scene.focal_px[scene.end(file)]
    x, y, width, height = done.shoot.proof["mounting"]["crop_px"]
    rows, columns = (np.rint((at - 0.5) / 2).astype(int) for at in np.mgrid[y : y + height, x : x + width])
    depth = scene.depth_mm(file)
    depth = depth[rows.clip(0, depth.shape[0] - 1), columns.clip(0, depth.shape[1] - 1)]
    parallax = read_tiff(done.shoot.folder / "pair" / "parallax.tif")
    return SimpleNamespace(
        name=scene.folder.name,
        base_mm=scene.base_mm,
        step_mm=scene.step_mm,
        lens={"focal_mm": focal_mm, "sensor_width_mm": sensor_mm},
        field_width_mm=scale * 600,
        scale=scale / distance_mm,
        depth=depth,
        window=float(np.median(depth[np.abs(parallax) < 0.1])),
    )


def measured(done, **stated):
    """The proof of the shoot, with these lengths stated and no others."""
    toml = done.shoot.folder / "shoot.toml"
    decisions.save(toml, msgspec.structs.replace(decisions.load(toml), capture=Capture(**stated)))
    return go_on(done.shoot.folder, "proof")


# Median error as a share of the depth. Measured: 2.05 to 2.25 % in the minerals, where 600 px leave a
# deviation of 7 px, and 0.13 px of disparity are 1.9 % of it even with the true base and lens; 2.2 to 2.3 %
# in the shells, half of it one distance for all: the true place of the window is read off 200 px only.
LIMITS = {"minerals": 0.03, "shells": 0.025}


def check_depth(done, true, metric):
    """Every pixel's depth: median error as a share of the subject's depth, and the distance of the window."""
    found = read_tiff(done.shoot.folder / "pair" / "depth.tif")
    expected = true.depth - true.window
    deep = float(np.ptp(np.percentile(expected, (1, 99))))
    known = np.isfinite(found)
    assert known.mean() > 0.85
    assert 1e-4 < np.median(np.abs(found - expected)[known]) / deep < LIMITS.get(true.name, 0.02)
    assert metric.range_mm == pytest.approx(deep, rel=0.06)
    assert metric.distance_mm == pytest.approx(true.window, rel=0.02)


def test_without_a_stated_length_nothing_is_told_in_mm(done):
    assert measured(done).metric is None
    assert not (done.shoot.folder / "pair" / "depth.tif").exists()


def test_the_step_and_the_lens_give_base_and_depth(done, true):
    metric = measured(done, step_mm=true.step_mm, **true.lens).metric
    check_depth(done, true, metric)
    assert metric.base.measured_mm == pytest.approx(true.base_mm, rel=0.03)
    assert abs(metric.base.measured_mm - true.base_mm) < metric.base.measured_error_mm


def test_the_base_and_the_lens_give_step_and_depth(done, true):
    metric = measured(done, base_mm=true.base_mm, **true.lens).metric
    check_depth(done, true, metric)
    assert metric.step.measured_mm == pytest.approx(true.step_mm, rel=0.03)
    assert abs(metric.step.measured_mm - true.step_mm) < metric.step.measured_error_mm
    assert metric.window_mm_per_px == pytest.approx(true.window * true.scale, rel=0.02)


def test_a_rail_measures_its_own_distance(scene, done, true):
    """Base and step alone: no lens data at all."""
    metric = measured(done, base_mm=true.base_mm, step_mm=true.step_mm).metric
    check_depth(done, true, metric)
    if scene.kind == "rail":
        assert metric.distance_error_mm < 0.03 * metric.distance_mm
        assert "rail" in metric.rests_on


def test_right_lengths_are_borne_out(done, true):
    """The field width ties base and step down; neither is doubted."""
    proof = measured(
        done, base_mm=true.base_mm, step_mm=true.step_mm, field_width_mm=true.field_width_mm, **true.lens
    )
    assert not {"base-differs", "step-differs"} & {finding.code for finding in proof.advice}
    assert proof.metric.base.measured_mm == pytest.approx(true.base_mm, rel=0.03)
    assert proof.metric.step.measured_mm == pytest.approx(true.step_mm, rel=0.03)


def test_a_wrong_base_is_found_and_the_right_one_told(done, true):
    stated_mm = round(1.25 * true.base_mm, 2)
    proof = measured(
        done, base_mm=stated_mm, step_mm=true.step_mm, field_width_mm=true.field_width_mm, **true.lens
    )
    finding = next(finding for finding in proof.advice if finding.code == "base-differs")
    number = float(finding.text.split("was ")[1].split(" mm")[0])
    assert finding.text.endswith(f"not {stated_mm:g} mm.")
    assert number == pytest.approx(true.base_mm, abs=0.5)
    assert proof.metric.base.measured_mm == pytest.approx(true.base_mm, rel=0.03)
    assert "step-differs" not in {finding.code for finding in proof.advice}
    check_depth(done, true, proof.metric)


def test_a_wrong_step_is_found(done, true):
    stated_mm = round(1.3 * true.step_mm, 2)
    proof = measured(
        done, base_mm=true.base_mm, step_mm=stated_mm, field_width_mm=true.field_width_mm, **true.lens
    )
    assert "step-differs" in {finding.code for finding in proof.advice}
    assert proof.metric.step.measured_mm == pytest.approx(true.step_mm, rel=0.03)


def test_where_only_their_ratio_is_known_neither_is_blamed(done, true):
    """The lens ties one to the other, and nothing ties either to mm but what was stated."""
    stated_mm = round(1.3 * true.step_mm, 3)
    proof = measured(done, base_mm=true.base_mm, step_mm=stated_mm, **true.lens)
    codes = {finding.code for finding in proof.advice}
    assert not {"base-differs", "step-differs"} & codes
    assert "base-or-step-differs" in codes
    base, step = proof.metric.base, proof.metric.step
    # from 600 px the ratio is known to a tenth or so
    assert base.measured_mm == pytest.approx(1.3 * true.base_mm, abs=base.measured_error_mm)
    assert step.measured_mm == pytest.approx(true.step_mm, abs=step.measured_error_mm)
    # neither is believed beyond their contradiction
    assert abs(base.used_mm - true.base_mm) < base.error_mm
    assert abs(step.used_mm - true.step_mm) < step.error_mm
    # the field width knows better
    proof = measured(
        done, base_mm=true.base_mm, step_mm=stated_mm, field_width_mm=true.field_width_mm, **true.lens
    )
    assert not proof.metric.one_of_two


def test_the_base_alone_tells_how_far_away_the_window_was(done, true):
    """A focus ring whose step is unknown: depths count from its reference plane."""
    metric = measured(done, base_mm=true.base_mm).metric
    assert metric.distance_mm == pytest.approx(true.window, abs=metric.distance_error_mm)
    assert metric.distance_error_mm < 0.7 * metric.distance_mm
