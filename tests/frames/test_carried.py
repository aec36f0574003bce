"""What published pictures carry: camera and words, and nothing private unless it is asked for."""

from xml.etree import ElementTree as ET

import numpy as np
import pytest
from PIL import Image

from nearpair.frames.carried import carried
from nearpair.frames.metadata import read_info
from nearpair.frames.profiles import srgb_profile
from nearpair.frames.write import write_jpeg, write_png
from nearpair.frames.xmp import About

GPS, CAMERA = 0x8825, 0x8769
SERIAL, OWNER, NOTES = 0xA431, 0xA430, 0x927C
WORDS = ("Zahnräder & <springs>", "A. Watchmaker", "Brass gears on a plate")
ABOUT = About(*WORDS)
LI = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}li"


@pytest.fixture
def frame(tmp_path):
    exif = Image.Exif()
    exif[271], exif[272] = "Maker", "Body"
    exif[CAMERA] = {0x829D: 8.0, SERIAL: "SN12345", OWNER: "Somebody", NOTES: b"SN12345", 0xA002: 9999}
    exif[GPS] = {1: "N", 2: (47.0, 22.0, 0.0)}
    path = tmp_path / "frame_0001.jpg"
    Image.new("RGB", (32, 24), (90, 80, 70)).save(path, exif=exif)
    return read_info(path)


def read_back(path):
    with Image.open(path) as file:
        exif = file.getexif()
        return exif, dict(exif.get_ifd(CAMERA)), dict(exif.get_ifd(GPS)), file.info


@pytest.mark.parametrize(("write", "name"), [(write_jpeg, "x.jpg"), (write_png, "x.png")])
def test_files_carry_camera_and_words_but_nothing_private(frame, tmp_path, write, name):
    path = tmp_path / name
    write(path, np.zeros((6, 8, 3), np.uint8), profile=srgb_profile(), carried=carried(frame, ABOUT))
    exif, camera, place, info = read_back(path)
    assert (exif[271], exif[272], exif[315]) == ("Maker", "Body", "A. Watchmaker")
    assert camera[0x829D] == 8.0
    assert place == {}
    assert not {SERIAL, OWNER, NOTES, 0xA002} & set(camera)
    content = path.read_bytes()
    assert b"SN12345" not in content
    assert b"Somebody" not in content
    assert b"Brass gears on a plate" in content
    assert info["icc_profile"] == srgb_profile()


def test_words_are_where_readers_of_xmp_look(frame, tmp_path):
    path = tmp_path / "x.jpg"
    write_jpeg(path, np.zeros((6, 8, 3), np.uint8), carried=carried(frame, ABOUT))
    root = ET.fromstring(read_back(path)[3]["xmp"])  # noqa: S314 - written by us just now
    for name, words in zip(("description", "creator", "AltTextAccessibility"), WORDS, strict=True):
        holder = next(each for each in root.iter() if each.tag.endswith("}" + name))
        assert [item.text for item in holder.iter(LI)] == [words]


def test_private_data_stay_when_asked_for_but_never_the_makers_notes(frame, tmp_path):
    path = tmp_path / "x.jpg"
    write_jpeg(path, np.zeros((6, 8, 3), np.uint8), carried=carried(frame, ABOUT, private=True))
    _, camera, place, _ = read_back(path)
    assert (camera[SERIAL], camera[OWNER]) == ("SN12345", "Somebody")
    assert place[1] == "N"
    assert NOTES not in camera
