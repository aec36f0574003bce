"""Views that differ in light, evened when they are mounted: on a shoot whose right eye got other light."""

import numpy as np
import pytest
from msgspec.structs import replace
from PIL import Image

from nearpair.colour.light import decode_srgb, encode_srgb
from nearpair.frames.profiles import adobe_rgb_profile
from nearpair.frames.write import read_tiff
from nearpair.shoot.deciding import Overrides
from nearpair.shoot.decisions import load
from nearpair.shoot.evening import evened, evened_both, light_of
from nearpair.shoot.fixing import fix
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.run import make, run
from nearpair.shoot.showing import mounted_last, shown
from support.tiny import contents, shells

STOPS, COLOUR = -0.6, np.array([1.12, 1.0, 0.92])


def in_other_light(folders):
    """The right eye's frames with 0.6 stops less light, red and blue off."""
    for file in sorted(folders[1].iterdir()):
        with Image.open(file) as picture:
            exif, codes = picture.getexif(), np.asarray(picture)
        light = (decode_srgb(codes) * COLOUR * 2**STOPS).astype(np.float32)
        Image.fromarray(encode_srgb(light, np.uint8)).save(file, quality=95, exif=exif)
    return folders


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("light")


@pytest.fixture(scope="module")
def as_shot(folder):
    """The proof and the files of the pair as it was shot."""
    proof = make(in_other_light(shells(folder / "card")), folder / "shoot", Overrides(light="as-shot"))
    shoot = ShootFolder(folder / "shoot")
    return proof, {name: read_tiff(getattr(shoot, name)) for name in ("left", "right", "parallax")}


@pytest.fixture(scope="module")
def fixed(folder, as_shot):
    return fix(folder / "shoot")


def severities(proof):
    found = {finding.code: finding.severity for finding in proof.advice}
    return [found.get(code) for code in ("exposure-difference", "white-balance-difference")]


def test_as_shot_the_difference_is_told_with_what_to_do(as_shot):
    proof, _ = as_shot
    assert severities(proof) == ["care", "care"]
    # shells differ by 0.03 stops as they are
    assert proof.capture.exposure_stops == pytest.approx(STOPS, abs=0.06)
    assert proof.capture.white_balance_shift == pytest.approx(0.12, abs=0.01)
    assert proof.capture.left_over_stops is None
    finding = next(f for f in proof.advice if f.code == "exposure-difference")
    assert finding.fixes[0].decides == {"mounting.light": "even"}
    assert "nearpair mount SHOOT --light even" in finding.remedy


def test_fixed_it_is_gone_from_the_picture_and_still_told_of_the_frames(folder, as_shot, fixed):
    shot, files = as_shot
    assert fixed.fixed.decided == {"mounting.light": "even"}
    assert load(folder / "shoot" / "shoot.toml").mounting.light == "even"
    assert severities(fixed) == ["note", "note"]
    assert abs(fixed.capture.left_over_stops) < 0.02
    assert fixed.capture.left_over_shift < 0.01
    assert fixed.capture.exposure_stops == pytest.approx(shot.capture.exposure_stops, abs=0.01)
    np.testing.assert_array_equal(read_tiff(ShootFolder(folder / "shoot").parallax), files["parallax"])
    change = next(c for c in fixed.fixed.changes if c.measure == "brightness of views differs")
    assert change.before > 0.5
    assert change.after < 0.02


def test_both_go_half_the_way_and_nothing_is_newly_clipped(folder, as_shot, fixed):
    _, files = as_shot
    shoot = ShootFolder(folder / "shoot")
    now = {eye: read_tiff(getattr(shoot, eye)) for eye in ("left", "right")}
    mean = {eye: decode_srgb(now[eye]).mean() / decode_srgb(files[eye]).mean() for eye in now}
    assert mean["left"] == pytest.approx(2 ** (STOPS / 2), rel=0.05)
    assert mean["right"] == pytest.approx(2 ** (-STOPS / 2), rel=0.05)
    for eye, picture in now.items():
        assert ((picture == 255) <= (files[eye] >= 254)).all()


def test_by_itself_it_is_done_to_the_same_bytes_and_stacks_are_not_merged_again(folder, fixed):
    shoot = folder / "shoot"
    before = {name: digest for name, digest in contents(shoot).items() if name.startswith("pair/")}
    heard = set()
    run(shoot, "mount", Overrides(light="auto"), lambda what, done, total: heard.add(what))
    light = mounted_last(ShootFolder(shoot)).mounting.light
    assert light.evened
    assert light.note.startswith("evened: ")
    assert not any("merging" in what for what in heard)
    after = contents(shoot)
    assert {name: after[name] for name in before} == before


def test_what_lies_around_the_crop_is_shown_in_the_same_light(folder, fixed):
    shoot = ShootFolder(folder / "shoot")
    mounted = mounted_last(shoot)
    now = shown(shoot, mounted)
    mounting = mounted.mounting
    plain = shown(shoot, _as_shot(mounted))
    x, y, width, height = mounting.crop_px
    around = np.ones(now.right[0].shape[:2], bool)
    around[y : y + height, x : x + width] = False
    for eye, gains in (("left", mounting.light.left_gains), ("right", mounting.light.right_gains)):
        lights = [decode_srgb(getattr(pair, eye)[0])[around] for pair in (plain, now)]
        inner = (lights[0] < 0.4) & (lights[0] > 0.02)
        for channel, gain in enumerate(gains):
            kept = inner[:, channel]
            ratio = lights[1][kept, channel].mean() / lights[0][kept, channel].mean()
            assert ratio == pytest.approx(gain, rel=0.02)


def _as_shot(mounted):
    mounting = mounted.mounting
    light = replace(mounting.light, left_gains=(1, 1, 1), right_gains=(1, 1, 1))
    return replace(mounted, mounting=replace(mounting, light=light))


def scene(dtype, factor):
    """A mounted pair without parallax, in Adobe RGB, and the right one's light times `factor`."""
    most = np.iinfo(dtype).max
    light = np.random.default_rng(5).uniform(0.03, 0.6, (60, 90, 3))

    def codes(linear):
        return np.rint(linear ** (256 / 563) * most).astype(dtype)

    return (codes(light), codes(light * factor)), np.zeros((60, 90), np.float32)


PROFILES = [adobe_rgb_profile()] * 2


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_light_is_evened_in_the_colour_space_of_the_frames_in_their_bits(dtype):
    pair, parallax = scene(dtype, COLOUR * 2**STOPS)
    found = light_of(pair, parallax, PROFILES, "auto")
    gains = np.array(found.left_gains) / found.right_gains
    np.testing.assert_allclose(gains, COLOUR * 2**STOPS, rtol=0.01 if dtype == np.uint8 else 0.001)
    left, right = evened_both(pair, PROFILES, found)
    assert left.dtype == right.dtype == dtype
    assert np.abs(left.astype(int) - right).max() <= (2 if dtype == np.uint8 else 80)


def test_an_even_pair_is_left_as_it_is():
    pair, parallax = scene(np.uint16, 1.0)
    found = light_of(pair, parallax, PROFILES, "even")
    assert not found.evened
    assert evened(pair[0], PROFILES[0], found.left_gains) is pair[0]


def test_what_only_a_part_shows_is_left_unless_it_is_decided():
    pair, parallax = scene(np.uint16, 2 ** np.linspace(-0.8, 0.1, 90)[:, None])
    found = light_of(pair, parallax, PROFILES, "auto")
    assert not found.evened
    assert found.note.endswith("the subject's own")
    assert light_of(pair, parallax, PROFILES, "even").evened


def test_views_in_different_colour_spaces_are_not_compared():
    pair, parallax = scene(np.uint16, 0.5)
    assert light_of(pair, parallax, [PROFILES[0], None], "even").stops is None
