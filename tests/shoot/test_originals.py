"""No code path opens an original for writing or changes one: heard from the interpreter, checked by content.

Python audit events "open", "os.rename", ...: Python Library Reference, "Audit events table". Libraries that
open files by themselves raise none; what they might do shows in the content, times and rights of the files.
"""

import os
import sys

import pytest

from nearpair.outputs.catalogue import FORMS
from nearpair.shoot.deciding import Overrides
from nearpair.shoot.material import Settings
from nearpair.shoot.publishing import publish
from nearpair.shoot.run import candidates, look, make, run
from support.tiny import shells

CHANGES = frozenset(
    f"os.{name}"
    for name in (
        "rename",
        "remove",
        "mkdir",
        "rmdir",
        "utime",
        "chmod",
        "chown",
        "truncate",
        "link",
        "symlink",
    )
) | {"os.setxattr", "os.removexattr", "shutil.move", "shutil.rmtree"}

_watching = []


def _hook(event, arguments):
    if _watching and (event == "open" or event in CHANGES):
        _watching[-1].append((event, arguments))


sys.addaudithook(_hook)  # cannot be taken away; does nothing while nobody watches


def opens_for_writing(mode, flags):
    if isinstance(mode, str):
        return bool(set(mode) & set("wax+"))
    return bool((flags or 0) & (os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND))


def wrongs(heard, folders):
    """What was heard that could change something below these folders."""
    found = []
    for event, arguments in heard:
        paths = [os.fsdecode(a) for a in arguments[:2] if isinstance(a, (str, bytes, os.PathLike))]
        below = any(str(folder) in path for folder in folders for path in paths)
        if below and (event != "open" or opens_for_writing(*arguments[1:3])):
            found.append((event, arguments))
    return found


def state(folders):
    """Content, times and rights of all that is there."""
    files = [file for folder in folders for file in (folder, *sorted(folder.rglob("*")))]
    stats = [file.stat() for file in files]
    return [
        (file, s.st_mtime_ns, s.st_ctime_ns, s.st_mode, file.read_bytes() if file.is_file() else b"")
        for file, s in zip(files, stats, strict=True)
    ]


@pytest.fixture
def watched():
    heard = []
    _watching.append(heard)
    yield heard
    _watching.pop()


def test_every_command_only_reads_the_originals(tmp_path, watched):
    folders, shoot = shells(tmp_path / "card"), tmp_path / "shoot"
    before = state(folders)
    watched.clear()
    look(folders)
    make(folders, shoot)
    candidates(shoot)
    names = [form.name for form in FORMS]
    publish(shoot, names, Settings(size_px=100, seconds=0.5, print_mm=20.0, countdown=True))
    run(shoot, "proof", Overrides(window="far"))
    assert sum(event == "open" and str(folders[0]) in str(arguments[0]) for event, arguments in watched) > 6
    assert wrongs(watched, folders) == []
    assert state(folders) == before


@pytest.mark.parametrize("how", ["wb", "r+b", "ab"])
def test_writing_would_be_noticed(tmp_path, watched, how):
    (tmp_path / "frame.jpg").write_bytes(b"original")
    watched.clear()
    with (tmp_path / "frame.jpg").open("rb"):
        assert wrongs(watched, [tmp_path]) == []
    with (tmp_path / "frame.jpg").open(how):
        assert len(wrongs(watched, [tmp_path])) == 1


def test_removing_and_renaming_would_be_noticed(tmp_path, watched):
    (tmp_path / "frame.jpg").write_bytes(b"original")
    watched.clear()
    (tmp_path / "frame.jpg").rename(tmp_path / "other.jpg")
    (tmp_path / "other.jpg").unlink()
    assert [event for event, _ in wrongs(watched, [tmp_path])] == ["os.rename", "os.remove"]
