"""Distortion taken out of both views: real pairs whose depth was measured, bent by lenses of the database."""

from dataclasses import replace

import cv2
import msgspec
import numpy as np
import pytest

from nearpair.errors import ShootError
from nearpair.frames.lenses import Known, profile_of
from nearpair.frames.metadata import FrameInfo
from nearpair.geometry.distortion import Distortion
from nearpair.pairs.disparity import match_rows
from nearpair.pixels.luma import luma
from nearpair.proof.model import LensProfile
from nearpair.shoot.deciding import Overrides
from nearpair.shoot.run import make, run
from nearpair.shoot.straightening import distortion_of, lens_of, straight
from support.pairs import cones, motorcycle
from support.tiny import shells

LENSES = {
    "poly3": {"lens": "Laowa 60mm f/2.8 2X Ultra-Macro", "focal": 60.0},
    "ptlens": {"lens": "Opteka 15mm f/4 Wide Macro 1:1", "focal": 15.0},
}


def frame(lens, focal, size=(500, 741)):
    known = dict.fromkeys(FrameInfo.__dataclass_fields__)
    return FrameInfo(
        **{**known, "lens": lens, "focal_length_mm": focal, "focal_length_35mm": focal, "size_px": size}
    )


def bent(picture, distortion):
    """The picture as the lens would have shown it."""
    size = picture.shape[:2]
    rows, columns = np.indices(size)
    at = distortion.straight(np.stack([columns, rows], axis=-1).astype(float), size).astype(np.float32)
    return cv2.remap(picture, at[..., 0], at[..., 1], cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT_101)


@pytest.mark.parametrize("model", LENSES)
@pytest.mark.parametrize("pair", [motorcycle, cones])
def test_depth_is_what_it_was(pair, model):
    pair = pair()
    size = pair.left.shape[:2]
    found = profile_of(frame(**LENSES[model], size=size))
    assert isinstance(found, Known)
    assert found.distortion.model == model
    assert found.distortion.largest_px(size) > 5
    lens = lens_of(2 * (frame(**LENSES[model], size=size),), "auto")
    assert lens.taken_out
    views = [bent(view, found.distortion) for view in (pair.left, pair.right)]
    level = [luma(straight(view, distortion_of(lens))) for view in views]
    known = pair.disparity_left_px[pair.known_left]
    span = int(known.min()) - 3, int(known.max()) + 3
    off = [
        match_rows(*lumas, *span).px - pair.disparity_left_px for lumas in (level, [luma(v) for v in views])
    ]
    inside = pair.known_left & np.isfinite(off[0])
    error = np.abs(off[0] - np.median(off[0][inside]))[inside]
    assert np.median(error) < 0.15
    assert np.mean(error < 0.5) > 0.8
    untouched = pair.known_left & np.isfinite(off[1])
    left = np.abs(off[1] - np.median(off[1][untouched]))[untouched]
    assert np.mean(error < 0.5) > np.mean(left < 0.5) + 0.05


def test_unknown_places_stay_unknown_and_frames_numbers_are_not_mixed():
    """A focus map: whole frame numbers, and nothing where the lens showed nothing."""
    numbers = np.kron(np.arange(6, dtype=np.float32).reshape(2, 3), np.ones((100, 100), np.float32))
    found = straight(numbers, Distortion("poly3", (0.05, 0.0, 0.0), 100.0), cv2.INTER_NEAREST)
    assert set(np.unique(found[np.isfinite(found)])) <= set(range(6))
    assert np.isnan(found[0, 0])
    assert np.isfinite(found[100, 150])


def test_sixteen_bits_and_bands_of_rows():
    """A plane that rises evenly: each place has the value of the place it came from, in every band."""
    rows, columns = np.indices((600, 300))
    ramp = (rows * 100 + columns * 10).astype(np.uint16)[..., None].repeat(3, axis=2)
    lens = Distortion("poly3", (-0.03, 0.0, 0.0), 150.0)
    found = straight(ramp, lens)
    at = lens.bent(np.stack([columns, rows], axis=-1).astype(float), (600, 300))
    expected = at[..., 1] * 100 + at[..., 0] * 10
    inside = (at > 4).all(axis=-1) & (at[..., 0] < 295) & (at[..., 1] < 595)
    np.testing.assert_allclose(found[inside], expected[inside][:, None].repeat(3, axis=1), atol=4)
    assert found.dtype == np.uint16


class TestWhichLens:
    def test_unknown_and_never(self):
        unknown = lens_of(2 * (frame("DO Macro 60mm", 60.0),), "auto")
        assert (unknown.name, unknown.taken_out) == (None, False)
        assert unknown.note == 'left as it is. The database of lenses has no "DO Macro 60mm".'
        assert not lens_of(2 * (frame(**LENSES["poly3"]),), "never").taken_out
        assert distortion_of(unknown) is None
        assert distortion_of(None) is None

    def test_a_lens_named_by_hand(self):
        known = lens_of(2 * (frame(None, 60.0),), "laowa 60mm ultra macro")
        assert known.name == "Laowa 60mm f/2.8 2X Ultra-Macro"
        with pytest.raises(ShootError, match='has no "no such lens"') as failed:
            lens_of(2 * (frame(None, 60.0),), "no such lens")
        assert "--lens" in failed.value.remedy

    def test_two_lenses(self):
        one, other = frame(**LENSES["poly3"]), frame(**LENSES["ptlens"])
        assert "not taken with the same lens" in lens_of((one, other), "auto").note
        far = replace(one, focus_distance_mm=500.0)
        assert lens_of((one, far), "auto") == lens_of((one, one), "auto")

    def test_it_stays_in_the_proof(self):
        found = lens_of(2 * (frame(**LENSES["ptlens"]),), "auto")
        assert msgspec.json.decode(msgspec.json.encode(found), type=LensProfile) == found
        assert "close up it may differ" in found.note


def test_a_whole_shoot_with_a_lens_named_by_hand(tmp_path):
    """The frames were taken at 105 mm; the terms of this lens bend the corners by a part of a px."""
    name, shoot = "Sigma 105mm f/2.8 EX DG OS HSM Macro", tmp_path / "shoot"
    proof = make(shells(tmp_path / "card"), shoot, Overrides(lens=name))
    lens = proof.mounting.lens
    assert (lens.name, lens.model, lens.taken_out) == (name, "poly3", True)
    # 0.00055·1.8·(1.8² − 1)·100 px
    assert lens.largest_px == pytest.approx(0.22, abs=0.03)
    with_lens = (shoot / "pair" / "left.tif").read_bytes()
    assert f'lens = "{name}"' in (shoot / "shoot.toml").read_text()
    again = run(shoot, "proof", Overrides(lens="never")).mounting
    assert (again.lens.name, again.lens.taken_out) == (None, False)
    assert (shoot / "pair" / "left.tif").read_bytes() != with_lens
    with pytest.raises(ShootError, match="several that fit"):
        run(shoot, "mount", Overrides(lens="105mm f/2.8 Macro"))
