"""A smaller stereo base than was shot: less parallax, the same window, the same subject in mm."""

import shutil

import numpy as np
import pytest

from nearpair.cli.words import window
from nearpair.frames.write import read_tiff
from nearpair.pairs.disparity import match_rows
from nearpair.pixels.luma import luma
from nearpair.proof.figures import figures
from nearpair.shoot.deciding import Overrides
from nearpair.shoot.decisions import load
from nearpair.shoot.rebasing import rebased
from nearpair.shoot.run import make, run
from support.pairs import cones
from support.tiny import contents, shells

KNOWN = Overrides(base_mm=8.0, step_mm=3.96, window="far", screen_width_mm=600.0, distance_mm=600.0)


@pytest.fixture(scope="module")
def whole(tmp_path_factory):
    """The pair as it was shot, its window on the farthest thing whatever the viewing conditions."""
    shoot = tmp_path_factory.mktemp("whole") / "shoot"
    return make(shells(tmp_path_factory.mktemp("frames")), shoot, KNOWN), shoot


@pytest.fixture
def copied(whole, tmp_path):
    return shutil.copytree(whole[1], tmp_path / "shoot")


def pictures(shoot):
    return {
        name: read_tiff(shoot / "pair" / f"{name}.tif") for name in ("left", "right", "parallax", "depth")
    }


def test_half_the_base_is_half_the_parallax_and_nothing_else(whole, copied):
    before = pictures(copied)
    proof = run(copied, "proof", Overrides(base_share=0.5))
    after = pictures(copied)
    np.testing.assert_array_equal(after["left"], before["left"])
    np.testing.assert_array_equal(after["parallax"], before["parallax"] * np.float32(0.5))
    assert (after["right"] != before["right"]).any()
    seen = match_rows(luma(after["left"]), luma(after["right"]), -12, 24).px
    off = np.abs(seen + after["parallax"])
    assert np.nanmedian(off) < 0.25
    # told in the proof; window, crop and all in mm as before
    done, as_shot = proof.mounting, whole[0].mounting
    assert (done.base_share, as_shot.base_share, as_shot.filled_share) == (0.5, 1.0, 0.0)
    assert 0 <= done.filled_share < 0.05
    assert (done.shift_px, done.crop_px) == (as_shot.shift_px, as_shot.crop_px)
    assert proof.metric == whole[0].metric
    np.testing.assert_allclose(after["depth"], before["depth"], atol=1e-3)
    assert ("Stereo base", "50 % of that shot") in [
        row[:2] for group in figures(proof) for row in group.rows if group.title == "Mounting"
    ]
    assert any("50 % of the stereo base" in line.text for line in window(done))
    assert not any(line.label == "Base" for line in window(as_shot))
    assert "4 mm instead of 8 mm" in next(f.text for f in proof.advice if f.code == "base-reduced")
    assert load(copied / "shoot.toml").mounting.base_share == 0.5


def test_the_base_comes_back_to_the_byte_and_is_not_done_twice(whole, copied):
    run(copied, "proof", Overrides(base_share=0.5))
    reduced = contents(copied)
    run(copied, "proof", Overrides(base_share=0.5))
    assert contents(copied) == reduced
    run(copied, "proof", Overrides(base_share=1.0))
    assert contents(copied) == contents(whole[1])


def test_what_the_proof_advises_against_too_much_depth_is_comfortable(copied):
    """On a screen so large that the pair as shot is too deep."""
    deep = run(copied, "proof", Overrides(screen_width_mm=8000.0, distance_mm=2000.0))
    assert not deep.comfort.within
    remedy = next(found.remedy for found in deep.advice if found.code == "too-deep-for-screen")
    share = float(remedy.split("--base-share ")[1].split()[0])
    assert 0.1 <= share < 1
    eased = run(copied, "proof", Overrides(base_share=share, window="auto"))
    assert eased.comfort.within
    assert eased.depth.deviation_px == pytest.approx(share * deep.depth.deviation_px, rel=0.1)
    assert eased.metric.range_mm == pytest.approx(deep.metric.range_mm, rel=0.1)


def test_sixteen_bits_and_a_real_pair():
    """Cones, Middlebury 2003 (Scharstein & Szeliski): disparity measured with structured light."""
    real = cones()
    wide = [picture.astype(np.uint16) * 257 for picture in (real.left, real.right)]
    seen = rebased(*wide, -real.disparity_left_px.astype(np.float32), 0.6)
    assert seen.right.dtype == np.uint16
    assert seen.filled_share < 0.06
    found = match_rows(luma(wide[0]), luma(seen.right), 0, 50).px
    off = np.abs(found - 0.6 * real.disparity_left_px)[real.known_left & np.isfinite(found)]
    assert np.median(off) < 0.2


def test_with_all_of_the_base_nothing_is_touched():
    real = cones()
    seen = rebased(real.left, real.right, -real.disparity_left_px, 1.0)
    assert seen.right is real.right
    assert seen.filled_share == 0.0
