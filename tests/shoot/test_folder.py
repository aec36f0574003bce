import subprocess
import sys
import threading
from pathlib import Path

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from nearpair.errors import ShootError
from nearpair.shoot.atomic import PART_PREFIX
from nearpair.shoot.decisions import Decisions, load
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.names import safe_name


@pytest.fixture
def card(tmp_path):
    (tmp_path / "card" / "DCIM").mkdir(parents=True)
    (tmp_path / "card" / "DCIM" / "a.jpg").write_bytes(b"x")
    return tmp_path / "card"


def names(folder):
    return sorted(path.name for path in folder.iterdir())


def refused(path, sources, reason):
    with pytest.raises(ShootError, match=reason) as caught:
        ShootFolder.open_or_create(path, sources)
    assert caught.value.remedy


def test_the_layout(tmp_path):
    """As the design draws it."""
    shoot = ShootFolder(tmp_path)
    found = {
        path.relative_to(tmp_path).as_posix()
        for path in (
            *(shoot.toml, shoot.view("station-1"), shoot.focus("station-1"), shoot.left, shoot.right),
            *(shoot.parallax, shoot.out("anaglyph.jpg"), shoot.out("page/index.html")),
            *(shoot.proof_json, shoot.proof_html, shoot.proof_pdf, shoot.cache),
        )
    }
    pair = {"pair/left.tif", "pair/right.tif", "pair/parallax.tif"}
    views = {"views/station-1.tif", "views/station-1.focus.tif"}
    assert found == {
        *pair,
        *views,
        "shoot.toml",
        "out/anaglyph.jpg",
        "out/page/index.html",
        "proof.json",
        "proof.html",
        "proof.pdf",
        ".cache",
    }


def test_a_new_shoot_knows_its_sources(tmp_path, card, monkeypatch):
    monkeypatch.chdir(tmp_path)
    shoot = ShootFolder.open_or_create(tmp_path / "new" / "shell", [Path("card")])
    assert load(shoot.toml).sources == (str(tmp_path / "card"),)
    assert shoot.source_paths(load(shoot.toml)) == [card]
    assert ShootFolder.open(tmp_path / "new" / "shell").root == shoot.root


def test_opening_again_leaves_the_decisions_alone(tmp_path, card):
    shoot = ShootFolder.open_or_create(tmp_path / "shell", [card])
    shoot.toml.write_text("# mine\nstrict = true\n")
    ShootFolder.open_or_create(tmp_path / "shell", [card])
    assert shoot.toml.read_text() == "# mine\nstrict = true\n"
    assert names(shoot.root) == ["shoot.toml"]


def test_relative_sources_count_from_the_shoot(tmp_path):
    assert ShootFolder(tmp_path / "s").source_paths(Decisions(sources=("../card",))) == [
        tmp_path / "s" / "../card"
    ]


def test_a_first_run_that_was_killed_can_be_repeated(tmp_path, card):
    shell = tmp_path / "shell"
    (shell / ".cache").mkdir(parents=True)
    (shell / f"{PART_PREFIX}1-1.toml").write_bytes(b"half")
    (shell / ".DS_Store").write_bytes(b"")
    assert ShootFolder.open_or_create(shell, [card]).toml.exists()


def test_refusals(tmp_path, card):
    (tmp_path / "file").write_bytes(b"")
    (tmp_path / "other").mkdir()
    for name in "abcd":
        (tmp_path / "other" / name).write_bytes(b"")
    refused(tmp_path / "file", [card], "is a file; a shoot needs a folder")
    refused(tmp_path / "other", [card], r"holds other things \(a, b, c, \.\.\.\) and no shoot\.toml")
    refused(tmp_path / "file" / "below", [card], "cannot be written")
    assert names(tmp_path / "other") == list("abcd")


@pytest.mark.parametrize("place", [".", "DCIM", "DCIM/new/deep", "DCIM/../new"])
def test_never_inside_a_source(tmp_path, card, place):
    refused(card / place, [tmp_path, card], "lies in the source")
    (tmp_path / "alias").symlink_to(card)
    refused(tmp_path / "alias" / place, [card], "lies in the source")
    assert sorted(path.name for path in card.rglob("*")) == ["DCIM", "a.jpg"]


def test_not_inside_a_source_even_if_there_is_a_shoot(card):
    (card / "shoot.toml").write_text("")
    refused(card, [card], "lies in the source")


def test_what_a_shoot_made_is_no_source(tmp_path, card):
    shell = tmp_path / "shell"
    ShootFolder.open_or_create(shell, [card])
    (shell / "out" / "deep").mkdir(parents=True)
    refused(shell, [shell / "out" / "deep"], "keeps what it makes")
    (shell / "frames").mkdir()
    ShootFolder.open_or_create(shell, [shell / "frames"])


def test_a_folder_that_may_not_be_written(tmp_path, card, monkeypatch):
    shell = tmp_path / "shell"
    ShootFolder.open_or_create(shell, [card])

    def deny(*_):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "write_bytes", deny)
    refused(shell, [card], "Permission denied")
    refused(tmp_path / "new", [card], "Permission denied")


def test_opening_what_is_no_shoot(tmp_path):
    for path in (tmp_path, tmp_path / "gone"):
        with pytest.raises(ShootError, match="there is no shoot here"):
            ShootFolder.open(path)


@pytest.mark.parametrize(
    "name", ["", ".", "..", "../a.jpg", "/a.jpg", "a/../../b", "a\\b", "c:a", "a//.b", ".b", "con"]
)
def test_outputs_stay_in_their_folder(tmp_path, name):
    with pytest.raises(ShootError, match="cannot be the name of an output"):
        ShootFolder(tmp_path).out(name)


def test_a_second_run_is_refused_at_once(tmp_path, card):
    shoot = ShootFolder.open_or_create(tmp_path / "shell", [card])
    refusals = []

    def second():
        try:
            with ShootFolder(shoot.root).lock():
                refusals.append("")
        except ShootError as error:
            refusals.append(error.message)

    with shoot.lock():
        second()
        thread = threading.Thread(target=second)
        thread.start()
        thread.join()
        script = "import sys, pathlib\nfrom nearpair.shoot.folder import ShootFolder\n"
        script += "with ShootFolder(pathlib.Path(sys.argv[1])).lock(): pass\n"
        other = subprocess.run(
            [sys.executable, "-c", script, str(shoot.root)], capture_output=True, text=True
        )
    assert len(refusals) == 2
    assert all("another run of nearpair is at work in this folder" in refusal for refusal in refusals)
    assert "another run of nearpair is at work" in other.stderr
    second()
    assert refusals[2] == ""


def test_a_killed_run_leaves_no_lock_and_its_leftovers_are_swept(tmp_path, card):
    shoot = ShootFolder.open_or_create(tmp_path / "shell", [card])
    script = (
        "import os, sys, pathlib\n"
        "from nearpair.shoot.folder import ShootFolder\n"
        "from nearpair.shoot.atomic import replacing\n"
        "shoot = ShootFolder(pathlib.Path(sys.argv[1]))\n"
        "with shoot.lock(), replacing(shoot.left) as part:\n"
        "    part.write_bytes(b'half')\n"
        "    os.kill(os.getpid(), 9)\n"
    )
    subprocess.run([sys.executable, "-c", script, str(shoot.root)])
    assert len(names(shoot.root / "pair")) == 1
    with shoot.lock():
        assert names(shoot.root / "pair") == []


def test_a_lock_that_cannot_be_had(tmp_path):
    (tmp_path / ".cache").write_bytes(b"")
    with pytest.raises(ShootError, match="cannot be written"), ShootFolder(tmp_path).lock():
        pass


def test_an_error_inside_frees_the_lock(tmp_path, card):
    shoot = ShootFolder.open_or_create(tmp_path / "shell", [card])
    with pytest.raises(KeyboardInterrupt), shoot.lock():
        raise KeyboardInterrupt
    with shoot.lock():
        assert shoot.cache.is_dir()


@pytest.mark.parametrize("name", ["station-1", "left", "Links aussen", "左眼", "a.b", "A_1"])
def test_ordinary_names_stay(name):
    assert safe_name(name) == name


@pytest.mark.parametrize(
    "name", ["", ".", "..", "a/b", "a\\b", "a:b", ".hidden", "end.", "end ", "CON", "nul.x", "x.focus"]
)
def test_other_names_change(name):
    assert safe_name(name) != name


@given(st.text(max_size=300))
@example("000000:" + "\U0001d7d8" * 20 + "x" * 40)
def test_safe_names_are_safe_and_settled(name):
    """Limits of file systems: 255 bytes, no separators, no trailing dot (common practice, no source)."""
    safe = safe_name(name)
    assert 0 < len(safe.encode()) <= 120
    assert not set(safe) & set('/\\:*?"<>|\0\n')
    assert safe.strip(" .") == safe
    assert safe_name(safe) == safe


@given(st.lists(st.text("aB:/. é?", max_size=5), unique=True, max_size=12))
def test_different_stations_never_share_a_file(stations):
    shoot = ShootFolder(Path("s"))
    files = {shoot.view(name) for name in stations} | {shoot.focus(name) for name in stations}
    assert len(files) == 2 * len(stations)
