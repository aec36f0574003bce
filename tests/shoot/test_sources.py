"""From a place of a finished pair back to its frames, on a small scene."""

from shutil import copytree

import cv2
import numpy as np
import pytest

from nearpair.errors import ShootError
from nearpair.frames.write import read_tiff
from nearpair.pixels.detail import codes_of, energy_of
from nearpair.shoot.deciding import Overrides
from nearpair.shoot.decisions import Retouch
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.run import make, run
from nearpair.shoot.sources import Sources
from support.tiny import cut


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sources")
    make(cut("shells", ("left", "right"), folder / "card", every=3), folder / "shells")
    return ShootFolder(folder / "shells")


@pytest.fixture(scope="module")
def sources(made):
    return Sources.open(made)


PLACES = [(150.0, 100.0), (180.0, 60.0), (120.0, 150.0), (200.0, 140.0)]


@pytest.mark.parametrize("place", PLACES)
def test_the_frame_is_that_of_the_focus_map_and_the_sharpest(sources, made, place):
    found = sources.of_view(0, place).left
    focus = read_tiff(made.focus("left"))
    column, row = map(int, place)
    assert found.point_px == pytest.approx(place, abs=1e-6)
    assert found.number == pytest.approx(focus[row, column], abs=0.6)
    sharpest = max(range(len(found.frames)), key=lambda k: found.sharpness[k] or 0)
    assert abs(sharpest - found.number) <= 1.6
    assert max(filter(None, found.sharpness)) == 1


@pytest.mark.parametrize("place", PLACES)
def test_both_eyes_are_told_the_same_place(sources, made, place):
    there = sources.of_view(0, place)
    back = sources.of_view(1, there.right.point_px)
    assert back.left.point_px == pytest.approx(place, abs=1.5)
    wanted = there.left.other_number[round(there.left.number)]
    assert abs(wanted - there.right.number) <= 1.6


def test_a_crop_is_what_the_view_shows_where_its_frame_is_sharp(sources, made):
    focus, view = read_tiff(made.focus("left")), read_tiff(made.view("left")).astype(float)
    found = sources.of_view(0, PLACES[0]).left
    column, row = map(int, PLACES[0])
    number = round(found.number)
    sharp, blurred = (
        sources.crop(0, k, PLACES[0], 32).astype(float)
        for k in (number, number + 3 if number < 4 else number - 3)
    )
    same = np.abs(focus[row - 16 : row + 16, column - 16 : column + 16] - number) < 0.8
    cut_out = view[row - 16 : row + 16, column - 16 : column + 16]
    assert np.abs(sharp - cut_out)[same].mean() < 0.7 * np.abs(blurred - cut_out)[same].mean()


def test_beyond_the_frame_a_crop_is_grey(sources):
    crop = sources.crop(0, 2, (0.0, 0.0), 64)
    assert crop.shape == (64, 64, 3)
    assert (crop[:28, :28] == 96).all()
    assert sources.crop(0, 99, (0.0, 0.0)) is None


def test_outside_the_picture_nothing_is_told(sources):
    assert sources.of_view(0, (-40.0, 30.0)).left is None


def test_after_a_retouch_the_place_shows_its_frame(made, tmp_path):
    folder = ShootFolder(copytree(made.root, tmp_path / "shells"))
    before = Sources.open(folder).of_view(0, PLACES[0]).left
    other = (round(before.number) + 4) % len(before.frames)
    run(
        folder.root,
        "mount",
        Overrides(retouches=(Retouch("left", before.frames[other], 12.0, (PLACES[0],)),)),
    )
    assert Sources.open(folder).of_view(0, PLACES[0]).left.number == other


def test_without_a_pair_it_is_told_what_to_do(made, tmp_path):
    folder = ShootFolder(copytree(made.root, tmp_path / "shells"))
    folder.parallax.unlink()
    with pytest.raises(ShootError, match="no pair is mounted"):
        Sources.open(folder)


def test_what_is_derived_may_be_missing(made, tmp_path):
    folder = ShootFolder(copytree(made.root, tmp_path / "shells"))
    folder.sharpness("left").write_bytes(b"")
    found = Sources.open(folder).of_view(0, PLACES[0]).left
    assert set(found.sharpness) == {None}


def test_codes_of_energies_come_back():
    energies = np.array([[0, 0.02, 1.0, 37.5, 900.0]], np.float32)
    again = energy_of(codes_of(energies))
    assert again[0, 0] == 0
    np.testing.assert_allclose(again[0, 1:], energies[0, 1:], rtol=2 ** (1 / 32) - 1 + 1e-3)
    assert cv2.countNonZero(codes_of(energies)) == 4
