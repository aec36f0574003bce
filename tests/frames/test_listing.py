import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nearpair.errors import SourceError
from nearpair.frames import list_frames
from nearpair.frames.listing import natural_key


def make(root, *names):
    for name in names:
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_bytes(b"x")


def names(root, paths):
    return [path.relative_to(root).as_posix() for path in paths]


def test_frames_in_natural_order_and_the_rest(tmp_path):
    make(
        tmp_path, "101DEMO/A_2.JPG", "101DEMO/A_10.jpg", "99DEMO/A_9999.tif", "b.png", "notes.txt", "A_1.NEF"
    )
    make(tmp_path, ".Trash/x.jpg", "._b.png", "99DEMO/a.HEIC", "c.avif")
    frames, others = list_frames(tmp_path)
    below = ["99DEMO/a.HEIC", "99DEMO/A_9999.tif", "101DEMO/A_2.JPG", "101DEMO/A_10.jpg"]
    assert names(tmp_path, frames) == [*below, "A_1.NEF", "b.png"]
    assert names(tmp_path, others) == ["c.avif", "notes.txt"]


def test_not_recursive(tmp_path):
    make(tmp_path, "a.jpg", "left/b.jpg")
    assert names(tmp_path, list_frames(tmp_path, recursive=False)[0]) == ["a.jpg"]


def test_shoots_of_our_own_are_passed_over(tmp_path):
    make(tmp_path, "a.jpg", "shell/shoot.toml", "shell/out/anaglyph.jpg", "shell/pair/left.tif")
    assert names(tmp_path, list_frames(tmp_path)[0]) == ["a.jpg"]


def test_links_in_a_circle_end_and_links_to_frames_count(tmp_path):
    make(tmp_path, "card/a.jpg", "card/deep/b.jpg")
    (tmp_path / "card/deep/up").symlink_to(tmp_path / "card")
    (tmp_path / "card/again").symlink_to(tmp_path / "card/deep")
    (tmp_path / "card/broken.jpg").symlink_to(tmp_path / "gone.jpg")
    (tmp_path / "card/c.jpg").symlink_to(tmp_path / "card/a.jpg")
    frames, others = list_frames(tmp_path / "card")
    assert names(tmp_path / "card", frames) == ["a.jpg", "again/b.jpg", "c.jpg"]
    assert names(tmp_path / "card", others) == ["broken.jpg"]


def test_what_is_no_regular_file_is_no_candidate(tmp_path):
    os.mkfifo(tmp_path / "pipe.jpg")
    (tmp_path / "folder.jpg").mkdir()
    assert names(tmp_path, list_frames(tmp_path)[1]) == ["pipe.jpg"]


def test_a_folder_that_may_not_be_read_is_told(tmp_path, monkeypatch):
    make(tmp_path, "a.jpg", "locked/b.jpg")
    original = os.listdir

    def deny(folder):
        if Path(folder).name == "locked":
            raise PermissionError(13, "Permission denied")
        return original(folder)

    monkeypatch.setattr(os, "listdir", deny)
    frames, others = list_frames(tmp_path)
    assert (names(tmp_path, frames), names(tmp_path, others)) == (["a.jpg"], ["locked"])


@pytest.mark.parametrize(
    ("name", "reason"),
    [("gone", "no such folder"), ("file", "not a folder"), ("shell", "folder of a shoot")],
)
def test_refusals(tmp_path, name, reason):
    make(tmp_path, "file", "shell/shoot.toml")
    with pytest.raises(SourceError, match=reason):
        list_frames(tmp_path / name)


def test_a_source_that_may_not_be_read(tmp_path, monkeypatch):
    def deny(_):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(os, "scandir", deny)
    with pytest.raises(SourceError, match=r"cannot be read \(Permission denied\)"):
        list_frames(tmp_path)


@given(st.lists(st.integers(0, 10**6), unique=True))
def test_numbers_are_ordered_by_value(numbers):
    paths = sorted((Path(f"DSC_{number}.JPG") for number in numbers), key=natural_key)
    assert paths == [Path(f"DSC_{number}.JPG") for number in sorted(numbers)]


@given(
    st.lists(st.text("aB1²0 -_.", min_size=1, max_size=6).filter(lambda name: set(name) != {"."}), max_size=9)
)
def test_the_order_is_total_and_depends_on_nothing_else(parts):
    paths = {Path(part) for part in parts}
    assert sorted(paths, key=natural_key) == sorted(sorted(paths, reverse=True), key=natural_key)
    assert len({natural_key(path) for path in paths}) == len(paths)
