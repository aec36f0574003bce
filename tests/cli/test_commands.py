"""Every command hands over what was typed, and prints results and everything else where they belong."""

import json
import shutil
from pathlib import Path

import pytest

from nearpair import __version__
from nearpair.demo import demo_frames
from nearpair.proof.model import decode, encode
from nearpair.shoot import run as shoot_run
from nearpair.shoot.deciding import Overrides

FILES = (
    "shoot.toml",
    "views/left.tif",
    "views/left.focus.tif",
    "pair/left.tif",
    "pair/right.tif",
    "pair/parallax.tif",
    "out/anaglyph-red-cyan-matched.jpg",
    "out/parallel.jpg",
    "out/crossed.jpg",
    "proof.json",
    "proof.html",
    "proof.pdf",
)


@pytest.fixture
def calls(monkeypatch, finished):
    """Catch what the commands ask of the shoot; everything asked for ends with the finished proof."""
    found = []
    proof = decode((finished[0] / "proof.json").read_bytes())

    def make(sources, shoot, overrides=Overrides(), progress=None):  # noqa: B008
        progress("making", 1, 1)
        found.append(("make", list(sources), shoot, overrides))
        return proof

    def run(shoot, until, overrides=Overrides(), progress=None):  # noqa: B008
        progress("running", 1, 1)
        found.append((until, shoot, overrides))
        return proof if until == "proof" else None

    monkeypatch.setattr(shoot_run, "make", make)
    monkeypatch.setattr(shoot_run, "run", run)
    return found


def test_the_version(nearpair):
    result = nearpair("--version")
    assert (result.exit_code, result.stdout) == (0, f"nearpair {__version__}\n")


def test_without_arguments_help_is_shown(nearpair):
    result = nearpair()
    assert "Usage: nearpair" in result.stdout + result.stderr


def test_make_hands_over_every_option(nearpair, calls):
    result = nearpair(
        *("make", "one", "two", "--to", "shoot", "--left", "two", "--right", "one", "--window", "12,34.5"),
        *("--screen-width", 1200, "--distance", 2500, "--eyes", 50, "--glasses", "amber-blue"),
        *("--method", "grey", "--strict"),
    )
    assert result.exit_code == 0
    overrides = Overrides(
        left="two",
        right="one",
        window=(12.0, 34.5),
        screen_width_mm=1200.0,
        distance_mm=2500.0,
        eyes_mm=50.0,
        glasses="amber-blue",
        method="grey",
        strict=True,
    )
    assert calls == [("make", [Path("one"), Path("two")], Path("shoot"), overrides)]


def test_make_leaves_alone_what_was_not_given(nearpair, calls):
    nearpair("make", "one", "--to", "shoot")
    assert calls == [("make", [Path("one")], Path("shoot"), Overrides())]


def test_strictness_can_be_taken_back(nearpair, calls):
    nearpair("merge", "shoot", "--no-strict")
    assert calls == [("merge", Path("shoot"), Overrides(strict=False))]


@pytest.mark.parametrize(
    ("arguments", "overrides"),
    [
        (("merge", "--strict"), Overrides(strict=True)),
        (
            ("mount", "--left", "a", "--right", "b", "--window", "far"),
            Overrides(left="a", right="b", window="far"),
        ),
        (
            ("mount", "--pair", "station 3,a/b"),
            Overrides(pair=("station 3", "a/b")),
        ),
        (
            ("proof", "--screen-width", 300, "--distance", 450, "--eyes", 60),
            Overrides(screen_width_mm=300.0, distance_mm=450.0, eyes_mm=60.0),
        ),
        (
            ("proof", "--glasses", "red-blue", "--method", "grey"),
            Overrides(glasses="red-blue", method="grey"),
        ),
    ],
)
def test_stages_hand_over_their_options(nearpair, calls, arguments, overrides):
    result = nearpair(arguments[0], "shoot", *arguments[1:])
    assert result.exit_code == 0, result.stderr
    assert calls == [(arguments[0], Path("shoot"), overrides)]


def test_pairs_are_ranked_and_printed_and_a_wrong_one_is_wrong_usage(nearpair, finished, tmp_path):
    shoot = shutil.copytree(finished[0], tmp_path / "shoot")
    result = nearpair("pairs", shoot, "--screen-width", 400, "--json")
    assert result.exit_code == 0, result.stderr
    found = json.loads(result.stdout)
    assert [(c["left"], c["right"], c["chosen"]) for c in found["candidates"]] == [("left", "right", True)]
    assert found["contact_sheet"] == str(shoot / "out" / "candidates.jpg")
    assert "left + right" in result.stderr
    assert "screen_width_mm = 400" in (shoot / "shoot.toml").read_text()
    assert nearpair("make", "card", "--to", "there", "--pair", "left").exit_code == 2


def test_the_demo_uses_the_frames_of_the_package(nearpair, calls, tmp_path):
    assert nearpair("demo", "--to", tmp_path / "there").exit_code == 0
    assert calls == [("make", [Path(str(demo_frames()))], tmp_path / "there", Overrides())]


def test_the_demo_goes_into_the_current_folder(nearpair, calls, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = nearpair("demo")
    assert calls[0][2] == Path("demo-shoot")
    assert "demo-shoot/proof.html" in result.stdout


def test_make_makes_every_file_it_promises(finished):
    shoot, _ = finished
    assert [name for name in FILES if not (shoot / name).is_file()] == []


def test_json_alone_on_standard_output(finished):
    shoot, result = finished
    assert result.stdout_bytes == (shoot / "proof.json").read_bytes()
    assert encode(decode(result.stdout_bytes)) == result.stdout_bytes
    assert "Verdict" in result.stderr
    assert "left: merging: 11 of 11" in result.stderr


def test_the_summary_names_files_that_exist(nearpair, finished_copy):
    result = nearpair("proof", finished_copy)
    paths = [line[10:] for line in result.stdout.splitlines() if line.startswith(("Anaglyph", "Proof "))]
    assert len(paths) == 2
    assert all(Path(path).is_file() for path in paths)


def test_sort_says_what_is_there_and_writes_nothing(nearpair, shells, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    before = sorted(shells.rglob("*"))
    result = nearpair("sort", shells / "left", shells / "right", "--json")
    found = json.loads(result.stdout_bytes)
    assert [station["name"] for station in found["stations"]] == ["left", "right"]
    assert [len(station["frames"]) for station in found["stations"]] == [11, 11]
    assert (found["eyes"]["left"], found["eyes"]["right"]) == ("left", "right")
    assert found["set_aside"] == []
    assert "Eyes      left eye left, right eye right" in result.stderr
    assert sorted(shells.rglob("*")) == before
    assert list(tmp_path.iterdir()) == []


def test_sort_in_words(nearpair, shells):
    result = nearpair("sort", shells / "left")
    assert "station-1: 11 frames" in result.stdout
    assert "a pair needs two" in result.stdout


def test_mount_then_proof_moves_the_window(nearpair, finished_copy):
    before = decode((finished_copy / "proof.json").read_bytes())
    mounted = nearpair("mount", finished_copy, "--window", "far")
    assert mounted.exit_code == 0, mounted.stderr
    assert f"nearpair proof {finished_copy}" in mounted.stdout
    assert "merging" not in mounted.stderr
    after = decode(nearpair("proof", finished_copy, "--json").stdout_bytes)
    assert after.mounting.shift_px < before.mounting.shift_px
    assert abs(after.depth.far_px) < 0.5


def test_export_for_other_glasses_names_the_anaglyph(nearpair, finished_copy):
    result = nearpair("export", finished_copy, "--glasses", "amber-blue", "--method", "half-colour")
    assert result.exit_code == 0, result.stderr
    path = Path(result.stdout.splitlines()[0].removeprefix("Made").strip())
    assert path == finished_copy / "out" / "anaglyph-amber-blue-half-colour.jpg"
    assert path.is_file()


def test_every_kind_of_glasses_takes_the_method_in_force(nearpair, finished_copy):
    result = nearpair("export", finished_copy, "--glasses", "red-blue")
    assert result.exit_code == 0
    assert (finished_copy / "out" / "anaglyph-red-blue-matched.jpg").is_file()
    assert 'method = "matched"' in (finished_copy / "shoot.toml").read_text()


def test_merge_again_does_nothing_again(nearpair, finished_copy):
    shutil.rmtree(finished_copy / "views")
    assert "merging" in nearpair("merge", finished_copy).stderr
    assert "merging" not in nearpair("merge", finished_copy).stderr


@pytest.mark.parametrize("command", ["merge", "mount", "export", "proof"])
def test_stages_need_a_shoot(nearpair, tmp_path, command):
    result = nearpair(command, tmp_path)
    assert result.exit_code == 1
    assert "there is no shoot here" in result.stderr
    assert "nearpair make" in result.stderr
