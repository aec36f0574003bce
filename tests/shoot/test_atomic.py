import errno
import os
import subprocess
import sys
from pathlib import Path

import pytest

from nearpair.errors import ShootError
from nearpair.shoot.atomic import PART_PREFIX, replacing, sweep, write_whole


def entries(folder):
    return sorted(path.name for path in folder.rglob("*"))


def half_write(path, failure):
    with replacing(path) as part:
        part.write_bytes(b"half")
        raise failure


def test_a_file_appears_only_when_complete(tmp_path):
    path = tmp_path / "views" / "a.tif"
    with replacing(path) as part:
        part.write_bytes(b"half")
        assert not path.exists()
        assert (part.parent, part.suffix) == (path.parent, ".tif")
        part.write_bytes(b"whole")
    assert path.read_bytes() == b"whole"
    assert entries(tmp_path) == ["a.tif", "views"]


@pytest.mark.parametrize("failure", [ValueError, KeyboardInterrupt])
def test_a_failure_leaves_what_was_there(tmp_path, failure):
    path = tmp_path / "a.tif"
    write_whole(path, b"before")
    with pytest.raises(failure):
        half_write(path, failure())
    assert path.read_bytes() == b"before"
    assert entries(tmp_path) == ["a.tif"]


@pytest.mark.parametrize(
    ("number", "remedy"),
    [
        (errno.ENOSPC, "Free some space"),
        (errno.EROFS, "another disk"),
        (errno.EACCES, "that you may write to"),
        (errno.EIO, "Check the disk"),
    ],
)
def test_a_disk_that_fails_is_told_with_path_and_remedy(tmp_path, number, remedy):
    path = tmp_path / "a.tif"
    with pytest.raises(ShootError) as caught:
        half_write(path, OSError(number, os.strerror(number)))
    assert f"{path}: cannot be written ({os.strerror(number)})" in caught.value.message
    assert remedy in caught.value.remedy
    assert entries(tmp_path) == []


def test_a_disk_that_fails_at_the_last_moment(tmp_path, monkeypatch):
    def full(_):
        raise OSError(errno.ENOSPC, "No space left on device")

    write_whole(tmp_path / "a", b"before")
    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(ShootError, match="No space left"):
        write_whole(tmp_path / "a", b"after")
    assert (tmp_path / "a").read_bytes() == b"before"
    assert entries(tmp_path) == ["a"]


def test_a_system_that_really_stops_the_writing(tmp_path):
    """A limit on the size of files in a process of its own (POSIX setrlimit) fails like a full disk."""
    script = (
        "import pathlib, resource, sys\n"
        "from nearpair.shoot.atomic import write_whole\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (5000, 5000))\n"
        "write_whole(pathlib.Path(sys.argv[1]), b'x' * 9000)\n"
    )
    write_whole(tmp_path / "a", b"before")
    run = subprocess.run([sys.executable, "-c", script, str(tmp_path / "a")], capture_output=True, text=True)
    assert f"ShootError: {tmp_path / 'a'}: cannot be written (File too large)." in run.stderr
    assert (tmp_path / "a").read_bytes() == b"before"
    assert entries(tmp_path) == ["a"]


def test_where_no_file_can_be(tmp_path):
    (tmp_path / "file").write_bytes(b"")
    (tmp_path / "folder").mkdir()
    (tmp_path / "folder" / "x").write_bytes(b"")
    for path in (tmp_path / "file" / "a.tif", tmp_path / "folder"):
        with pytest.raises(ShootError, match=r"cannot be written"):
            write_whole(path, b"x")
    assert entries(tmp_path) == ["file", "folder", "x"]


def test_two_writers_of_one_name_do_not_meet(tmp_path):
    with replacing(tmp_path / "a") as one, replacing(tmp_path / "a") as two:
        assert one != two
        one.write_bytes(b"1")
        two.write_bytes(b"2")
    assert (tmp_path / "a").read_bytes() == b"1"  # the outer block ends last


def test_everything_is_flushed_before_it_is_renamed(tmp_path, monkeypatch):
    events = []
    fsync, replace = os.fsync, Path.replace
    monkeypatch.setattr(os, "fsync", lambda handle: (events.append("flush"), fsync(handle))[1])
    monkeypatch.setattr(Path, "replace", lambda *names: (events.append("rename"), replace(*names))[1])
    write_whole(tmp_path / "a", b"x")
    assert events[:2] == ["flush", "rename"]


def test_what_a_killed_run_leaves_is_swept(tmp_path):
    """A process that is killed in the middle: its half-written file has our prefix and no other name."""
    script = (
        "import os, sys, pathlib\n"
        "from nearpair.shoot.atomic import replacing\n"
        "with replacing(pathlib.Path(sys.argv[1])) as part:\n"
        "    part.write_bytes(b'half')\n"
        "    os.kill(os.getpid(), 9)\n"
    )
    path = tmp_path / "out" / "a.jpg"
    subprocess.run([sys.executable, "-c", script, str(path)])
    (tmp_path / "out" / "kept.jpg").write_bytes(b"x")
    left = [name for name in entries(tmp_path) if name.startswith(PART_PREFIX)]
    assert len(left) == 1
    assert not path.exists()
    assert [part.name for part in sweep(tmp_path)] == left
    assert entries(tmp_path) == ["kept.jpg", "out"]


def test_sweeping_does_not_follow_links(tmp_path):
    card = tmp_path / "card"
    card.mkdir()
    (card / f"{PART_PREFIX}1").write_bytes(b"x")
    shoot = tmp_path / "shoot"
    shoot.mkdir()
    (shoot / "link").symlink_to(card)
    assert sweep(shoot) == []
    assert (card / f"{PART_PREFIX}1").exists()
