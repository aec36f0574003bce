"""A whole shoot from raw files: each is developed once, and the eyes come out as they should."""

import numpy as np
import pytest
from PIL import Image

from nearpair.frames import developed, read
from nearpair.frames.raw import develop
from nearpair.progress import silent
from nearpair.shoot.deciding import Overrides
from nearpair.shoot.run import look, make
from support.dng import write_dng
from support.tiny import shells


def linear(file):
    """Linear light of a picture (IEC 61966-2-1)."""
    with Image.open(file) as picture:
        coded = np.asarray(picture.convert("RGB")) / 255
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)


@pytest.fixture(scope="module")
def card(tmp_path_factory):
    """Two stations of six raw files each."""
    folders = shells(tmp_path_factory.mktemp("card"))
    for file in [file for folder in folders for file in sorted(folder.iterdir())]:
        write_dng(file.with_suffix(".dng"), linear(file))
        file.unlink()
    return folders


@pytest.fixture
def done(monkeypatch):
    """How each file was really developed: its name, and whether at half size."""
    seen = []

    def counting(path, half=False):
        seen.append((f"{path.parent.name}/{path.name}", half))
        return develop(path, half)

    monkeypatch.setattr(developed, "develop", counting)
    monkeypatch.setattr(read, "develop", counting)
    monkeypatch.setitem(read._DECODERS, "RAW", counting)
    return seen


def files(folders):
    return sorted((f"{folder.name}/{file.name}", False) for folder in folders for file in folder.iterdir())


def test_each_raw_file_is_developed_once_for_survey_and_merge(card, tmp_path, done):
    proof = make(card, tmp_path / "shoot", progress=silent)
    assert sorted(done) == files(card)
    assert proof.eyes.left == "left"
    assert all(station.frames[0].endswith(".dng") for station in proof.stations)
    kept = list((tmp_path / "shoot" / ".cache" / "developed").iterdir())
    assert sorted(file.suffix for file in kept) == [".tif"] * 12
    done.clear()
    (tmp_path / "shoot" / "views" / "left.tif").unlink()
    make(card, tmp_path / "shoot", progress=silent)
    assert done == []


def test_looking_alone_keeps_nothing(card, done):
    before = files(card)
    assert look(card, progress=silent).eyes.left == "left"
    assert files(card) == before
    assert {name for name, _ in done} == {name for name, _ in before}


def test_a_jpeg_beside_each_raw_file_does_not_stop_a_strict_run(tmp_path, done):
    folders = shells(tmp_path)
    for file in [file for folder in folders for file in sorted(folder.iterdir())]:
        write_dng(file.with_suffix(".dng"), linear(file))
    found = look(folders, Overrides(strict=True), silent)
    assert len(found.set_aside) == 12
    assert all("is the same exposure as" in aside.reason for aside in found.set_aside)
    assert done == []
