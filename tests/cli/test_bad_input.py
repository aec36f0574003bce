"""The whole program on what people really hand over, and on what must not happen to them.

Each test looks at the exit status and at what is said: 0 and a proof that names what was wrong, or 1 and a
sentence that names the file and says what to do.
"""

import errno
import os
import shutil
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from PIL import Image

from nearpair.proof.model import decode
from nearpair.shoot import atomic

EYES = ("left", "right")


@pytest.fixture
def make(nearpair, tmp_path):
    """Make a shoot of sources; gives the result, whose proof is read if there is one."""

    def run(*sources, to=None, options=()):
        return nearpair("make", *sources, "--to", to or tmp_path / "shoot", *options)

    return run


def proof_of(result):
    assert result.exit_code == 0, result.stderr
    return decode(result.stdout_bytes)


def refused(result, *says):
    """The job was refused in two sentences, without a traceback, and printed no result."""
    assert result.exit_code == 1, result.output
    assert result.stdout == ""
    first, second = [
        line for line in result.stderr.splitlines() if line.startswith(("Error: ", "What to do: "))
    ]
    assert "Traceback" not in result.stderr
    for words in says:
        assert words in f"{first}\n{second}"


def eyes_of(folder):
    return folder / "left", folder / "right"


def files_below(shoot):
    """Content of everything a shoot shows, by name; the cache is nobody's business."""
    return {
        str(path.relative_to(shoot)): path.read_bytes()
        for path in sorted(shoot.rglob("*"))
        if path.is_file() and ".cache" not in path.parts
    }


def state_of(folder):
    return {
        path: (path.stat().st_mtime_ns, path.read_bytes()) for path in folder.rglob("*") if path.is_file()
    }


# sources that hold no shoot


def test_an_empty_folder(make, tmp_path):
    (tmp_path / "empty").mkdir()
    refused(make(tmp_path / "empty"), "empty: no picture was found there", "Point at the folder")


def test_a_missing_folder(make, tmp_path):
    refused(make(tmp_path / "nowhere"), "nowhere: does not exist", "Give the card's folder")
    assert not (tmp_path / "shoot").exists()


def test_a_file_instead_of_a_folder(make, shells, tmp_path):
    frame = next((shells / "left").iterdir())
    refused(make(frame), f"{frame.name}: is not a folder")


def test_one_stack_only(make, shells):
    refused(make(shells / "left"), "Only one station was found", "11 frames", "the other station")


def test_the_same_folder_twice(make, shells):
    refused(make(shells / "left", shells / "left"), "given twice")


def test_stations_of_different_sizes(make, card):
    for file in (card / "right").iterdir():
        with Image.open(file) as picture:
            picture.resize((300, 240)).save(file, exif=picture.getexif())
    refused(make(*eyes_of(card)), "left: 360 x 240", "right: 300 x 240", "as the camera wrote them")


def test_a_folder_of_texts(make, tmp_path):
    (tmp_path / "texts").mkdir()
    (tmp_path / "texts" / "fake.jpg").write_text("no picture at all")
    refused(make(tmp_path / "texts"), "fake.jpg")


# sources with something wrong in them: the job goes on


def cut_short(file):
    content = file.read_bytes()
    file.write_bytes(content[: len(content) * 6 // 10])


def test_a_truncated_frame_is_set_aside_and_named(make, card):
    broken = card / "left" / "DO_0011.JPG"
    cut_short(broken)
    found = proof_of(make(*eyes_of(card), options=["--json"]))
    assert [item.file for item in found.set_aside] == [broken.name]
    assert "cut short" in found.set_aside[0].reason
    assert [len(station.frames) for station in found.stations] == [10, 11]
    assert "set-aside" in [finding.code for finding in found.advice]


def test_a_truncated_frame_stops_a_strict_job(make, card):
    cut_short(card / "left" / "DO_0011.JPG")
    refused(make(*eyes_of(card), options=["--strict"]), "DO_0011.JPG", "cut short", "Without --strict")


def test_files_beside_the_frames_do_not_matter(make, card, finished):
    (card / "left" / "notes.txt").write_text("shot on Sunday")
    (card / "right" / "Thumbs.db").write_bytes(b"\0" * 100)
    (card / "right" / ".hidden.jpg").write_bytes(b"nothing")
    (card / "clip.mov").write_bytes(b"\0" * 100)
    found = proof_of(make(*eyes_of(card), options=["--json"]))
    assert found == decode(finished[1].stdout_bytes)


def test_frames_without_metadata(make, card, finished):
    for eye in EYES:
        for file in (card / eye).iterdir():
            with Image.open(file) as picture:
                picture.save(file, quality="keep", exif=Image.Exif())
    found, usual = proof_of(make(*eyes_of(card), options=["--json"])), decode(finished[1].stdout_bytes)
    assert (found.eyes.left, found.eyes.right) == ("left", "right")
    assert [station.frames for station in found.stations] == [station.frames for station in usual.stations]


def test_folders_with_swapped_names_are_loudly_contradicted(make, shells, tmp_path):
    swapped = tmp_path / "swapped"
    for eye, other in zip(EYES, EYES[::-1], strict=True):
        shutil.copytree(shells / eye, swapped / other)
    result = make(*eyes_of(swapped))
    assert result.exit_code == 0
    assert "Eyes      left eye right, right eye left" in result.stdout
    assert "CONTRADICTION" in result.stdout
    assert "--left left --right right" in result.stdout
    assert "Verdict   rework" in result.stdout


def fewer(card, keep):
    """Leave only some frames of each stack, by their place in it."""
    for eye in EYES:
        for place, file in enumerate(sorted((card / eye).iterdir())):
            if place not in keep:
                file.unlink()


def test_two_frames_in_each_stack(make, card):
    fewer(card, (4, 6))
    found = proof_of(make(*eyes_of(card), options=["--json"]))
    assert [len(station.frames) for station in found.stations] == [2, 2]
    assert found.picture.width_px > 300


def test_single_frames(make, card):
    fewer(card, (5,))
    found = proof_of(make(*eyes_of(card), options=["--json"]))
    assert [station.kind for station in found.stations] == ["single", "single"]
    assert found.eyes.left == "left"


# targets


def test_a_file_where_the_shoot_should_be(make, shells, tmp_path):
    (tmp_path / "taken").write_text("mine")
    refused(make(*eyes_of(shells), to=tmp_path / "taken"), "taken: is a file", "--to")
    refused(make(*eyes_of(shells), to=tmp_path / "taken" / "below"), "cannot be written")
    assert (tmp_path / "taken").read_text() == "mine"


def test_a_target_that_holds_other_things(make, shells, tmp_path):
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "letter.txt").write_text("mine")
    refused(make(*eyes_of(shells), to=tmp_path / "full"), "letter.txt", "Nothing was changed")
    assert [path.name for path in (tmp_path / "full").iterdir()] == ["letter.txt"]


def test_a_target_inside_a_source(make, card):
    before = state_of(card)
    refused(make(card, to=card / "shoot"), "sources are only ever read")
    assert state_of(card) == before


@pytest.mark.parametrize(("number", "says"), [(errno.EACCES, "may write to"), (errno.EROFS, "another disk")])
def test_a_target_that_takes_no_files(make, shells, tmp_path, monkeypatch, number, says):
    """Permissions do not stop the superuser, so the refusal of the disk is played."""

    def refuse(self, *arguments, **named):
        raise OSError(number, os.strerror(number), str(self))

    monkeypatch.setattr(Path, "mkdir", refuse)
    refused(make(*eyes_of(shells)), "cannot be written", os.strerror(number), says)


def test_a_full_disk_in_the_middle_and_then_room_again(make, shells, finished, tmp_path, monkeypatch):
    flush = atomic._flush

    def full(part):
        if part.parent.name == "pair":
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC), str(part))
        flush(part)

    monkeypatch.setattr(atomic, "_flush", full)
    refused(make(*eyes_of(shells)), "pair", "No space left", "Free some space")
    assert not (tmp_path / "shoot" / "proof.json").exists()
    assert [path.name for path in (tmp_path / "shoot").rglob("*nearpair-part*")] == []
    monkeypatch.undo()
    assert make(*eyes_of(shells)).exit_code == 0
    assert files_below(tmp_path / "shoot") == files_below(finished[0])


# shoots that exist already


def test_a_shoot_is_continued_without_doing_anything_again(make, shells, finished, finished_copy):
    result = make(*eyes_of(shells), to=finished_copy, options=["--json"])
    assert result.stdout_bytes == finished[1].stdout_bytes
    assert "merging" not in result.stderr
    assert files_below(finished_copy) == files_below(finished[0])


def test_a_shoot_of_other_sources_is_refused(make, card, finished_copy):
    before = files_below(finished_copy)
    refused(make(card, to=finished_copy), "made from other folders", "--to")
    assert files_below(finished_copy) == before


def test_decisions_that_make_no_sense(nearpair, finished_copy):
    file = finished_copy / "shoot.toml"
    file.write_text(file.read_text().replace("eyes_mm = 63.0", "eyes_mm = 6.3"))
    refused(nearpair("proof", finished_copy), "[viewing] eyes_mm", "40 to 80 mm", "found 6.3")


def test_a_station_that_does_not_exist(make, shells, finished_copy):
    result = make(*eyes_of(shells), to=finished_copy, options=["--left", "middle"])
    refused(result, "no station 'middle'", "left, right")


def test_frames_that_are_gone(nearpair, card, make, tmp_path):
    fewer(card, (5,))
    assert make(*eyes_of(card)).exit_code == 0
    shutil.rmtree(card)
    refused(nearpair("proof", tmp_path / "shoot"), "left", "no such folder")


def test_frames_are_only_read(make, card):
    before = state_of(card)
    assert make(*eyes_of(card)).exit_code == 0
    assert state_of(card) == before


# stopped runs


@pytest.mark.parametrize(("how", "status"), [(signal.SIGINT, 130), (signal.SIGKILL, -signal.SIGKILL)])
def test_a_stopped_run_goes_on_and_gives_the_same_bytes(shells, finished, make, tmp_path, how, status):
    shoot = tmp_path / "shoot"
    command = [sys.executable, "-m", "nearpair", "make", *eyes_of(shells), "--to", shoot]
    with subprocess.Popen([str(word) for word in command], stderr=subprocess.PIPE, text=True) as run:
        said = []
        for line in run.stderr:
            said.append(line)
            if line.startswith("right: looking through the frames: 11 of 11"):
                run.send_signal(how)
        run.wait(timeout=60)
    assert run.returncode == status, said
    assert not (shoot / "proof.json").exists()
    if how == signal.SIGINT:
        assert said[-1] == "Stopped. Nothing is lost: run the same command again to go on.\n"
    again = make(*eyes_of(shells))
    assert again.exit_code == 0, again.stderr
    assert "left: looking through the frames" not in again.stderr
    assert files_below(shoot) == files_below(finished[0])


def test_a_wrong_folder_first_does_not_spoil_the_target(make, shells, tmp_path):
    (tmp_path / "empty").mkdir()
    refused(make(tmp_path / "empty"), "no picture was found")
    assert make(*eyes_of(shells)).exit_code == 0


def test_a_wrong_station_is_not_kept(make, shells, finished_copy):
    refused(make(*eyes_of(shells), to=finished_copy, options=["--left", "middle"]), "no station 'middle'")
    assert make(*eyes_of(shells), to=finished_copy).exit_code == 0


def test_one_station_for_both_eyes(make, shells):
    refused(make(*eyes_of(shells), options=["--left", "left", "--right", "left"]), "two stations")


def test_raw_frames_alone(make, tmp_path):
    (tmp_path / "card").mkdir()
    (tmp_path / "card" / "A.ARW").write_bytes(b"II*\0" + bytes(100))
    refused(make(tmp_path / "card"), "none of the 1 picture files can be used", "Save the frames again")
