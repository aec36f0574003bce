"""From folders to frames: what cannot be used is named with the reason, beside what can."""

import numpy as np
import pytest
from PIL import Image

from nearpair.errors import SourceError
from nearpair.progress import silent
from nearpair.shoot.gather import gather
from support.dng import write_dng


def picture(path, size=(64, 48)):
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.new("RGB", size, "teal").save(path)
    return path


def names(source):
    return [frame.path.name for frame in source.frames]


def test_folders_as_given_and_frames_in_natural_order(tmp_path):
    for name in ("b/IMG_10.JPG", "b/IMG_9.JPG", "a/deep/IMG_2.png", "a/IMG_1.tif"):
        picture(tmp_path / name)
    found = gather([tmp_path / "b", tmp_path / "a"], silent)
    assert [source.folder for source in found.sources] == [tmp_path / "b", tmp_path / "a"]
    assert names(found.sources[0]) == ["IMG_9.JPG", "IMG_10.JPG"]
    assert sorted(names(found.sources[1])) == ["IMG_1.tif", "IMG_2.png"]
    assert found.set_aside == ()


def test_what_is_no_picture_is_named_with_the_reason_and_not_with_its_place(tmp_path):
    """Proofs are published: where the folder lies on somebody's disk is nobody's business."""
    picture(tmp_path / "card" / "IMG_1.JPG")
    (tmp_path / "card" / "IMG_2.JPG").write_bytes(b"")
    (tmp_path / "card" / "IMG_3.JPG").write_bytes(b"never a picture")
    (tmp_path / "card" / "notes.txt").write_text("no candidate")
    found = gather([tmp_path / "card"], silent)
    assert names(found.sources[0]) == ["IMG_1.JPG"]
    assert [aside.file for aside in found.set_aside] == ["IMG_2.JPG", "IMG_3.JPG"]
    for aside in found.set_aside:
        assert str(tmp_path) not in aside.reason
        assert "Copy the file from the card again, or leave it out." in aside.reason
    assert "empty" in found.set_aside[0].reason
    assert "not a picture" in found.set_aside[1].reason


def test_no_folder_at_all():
    with pytest.raises(SourceError, match="No folder with frames was given"):
        gather([], silent)


def test_folders_without_pictures(tmp_path):
    for name in ("one", "two"):
        (tmp_path / name).mkdir()
    with pytest.raises(SourceError) as failed:
        gather([tmp_path / "one", tmp_path / "two"], silent)
    assert failed.value.message == f"{tmp_path / 'one'}, {tmp_path / 'two'}: no picture was found there."
    assert failed.value.remedy == "Point at the folder that holds the frames of the shoot."


def test_one_empty_folder_beside_a_full_one_is_no_error(tmp_path):
    picture(tmp_path / "full" / "IMG_1.JPG")
    (tmp_path / "empty").mkdir()
    found = gather([tmp_path / "empty", tmp_path / "full"], silent)
    assert [len(source.frames) for source in found.sources] == [0, 1]


def test_only_broken_pictures(tmp_path):
    for number in (1, 2):
        (tmp_path / f"IMG_{number}.JPG").write_bytes(b"nothing")
    with pytest.raises(SourceError, match=r"none of the 2 picture files can be used; the first, IMG_1.JPG: "):
        gather([tmp_path], silent)


def test_other_files_are_said_to_be_what_they_are(tmp_path):
    (tmp_path / "IMG_1.avif").write_bytes(b"\0\0\0\x18ftypavif")
    with pytest.raises(SourceError, match=r"no picture was found there\. The first of 1 other files:"):
        gather([tmp_path], silent)


def raw(path):
    path.parent.mkdir(parents=True, exist_ok=True)
    return write_dng(path, np.full((48, 64, 3), 0.3))


def test_raw_beside_the_camera_s_jpeg_is_left_alone_and_said_to_be(tmp_path):
    """Also with the letters of the other file in the other case, and in folders below."""
    for name in ("IMG_1.JPG", "deep/IMG_2.JPG"):
        picture(tmp_path / name)
    for name in ("img_1.dng", "deep/IMG_2.DNG", "IMG_3.DNG"):
        raw(tmp_path / name)
    told = []
    found = gather([tmp_path], lambda *step: told.append(step))
    assert sorted(names(found.sources[0])) == ["IMG_1.JPG", "IMG_2.JPG", "IMG_3.DNG"]
    assert found.set_aside == ()
    doubled = {aside.file: aside.reason for aside in found.doubled}
    assert sorted(doubled) == ["IMG_2.DNG", "img_1.dng"]
    assert "same exposure as IMG_1.JPG, which is used" in doubled["img_1.dng"]
    assert told[-1] == ("reading the headers", 5, 5)


def test_raw_is_used_where_the_jpeg_beside_it_is_broken(tmp_path):
    (tmp_path / "IMG_1.JPG").write_bytes(b"")
    raw(tmp_path / "IMG_1.DNG")
    found = gather([tmp_path], silent)
    assert names(found.sources[0]) == ["IMG_1.DNG"]
    assert [aside.file for aside in found.set_aside] == ["IMG_1.JPG"]
    assert found.doubled == ()


def test_files_of_one_name_in_two_folders_or_of_two_plain_kinds_are_two_frames(tmp_path):
    picture(tmp_path / "a" / "IMG_1.JPG")
    raw(tmp_path / "b" / "IMG_1.DNG")
    picture(tmp_path / "a" / "IMG_1.png")
    found = gather([tmp_path], silent)
    assert sorted(names(found.sources[0])) == ["IMG_1.DNG", "IMG_1.JPG", "IMG_1.png"]


def test_progress_counts_all_files(tmp_path):
    for name in ("a/1.png", "a/2.png", "b/3.png"):
        picture(tmp_path / name)
    told = []
    gather([tmp_path / "a", tmp_path / "b"], lambda *step: told.append(step))
    assert told == [("reading the headers", done, 3) for done in (1, 2, 3)]


def test_it_can_be_interrupted(tmp_path):
    for number in range(6):
        picture(tmp_path / f"{number}.png")

    def interrupt(what, done, total):
        if done == 3:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        gather([tmp_path], interrupt)
