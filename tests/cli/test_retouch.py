"""`nearpair retouch`: what it asks, shows and takes back."""

import json
import shutil

import pytest

from nearpair.cli.retouching import parse_points
from nearpair.shoot.decisions import load


@pytest.fixture
def shoot(finished, tmp_path):
    return shutil.copytree(finished[0], tmp_path / "shoot")


def test_a_place_is_looked_up_retouched_listed_and_taken_back(nearpair, shoot):
    told = json.loads(nearpair("retouch", shoot, "--at", "180,120", "--json").stdout)
    number = round(told["left"]["number"])
    frame = told["left"]["frames"][number + 2 if number < 5 else number - 2]
    words = nearpair("retouch", shoot, "--at", "180,120").stdout
    assert told["left"]["frames"][number] in words
    done = nearpair("retouch", shoot, "--at", "180,120 190,124", "--frame", frame, "--radius", "10")
    assert done.exit_code == 0, done.stderr
    one = load(shoot / "shoot.toml").retouches[0]
    assert (one.frame, one.points, one.radius_px, one.eyes) == (frame, ((180, 120), (190, 124)), 10, "both")
    listed = json.loads(nearpair("retouch", shoot, "--json").stdout)
    assert listed["done"][0]["other_frame"] in done.stdout
    assert nearpair("retouch", shoot, "--take-back", "1").exit_code == 0
    assert load(shoot / "shoot.toml").retouches == ()
    assert "none" in nearpair("retouch", shoot).stdout


@pytest.mark.parametrize(
    ("arguments", "status", "says"),
    [
        (["--frame", "x.jpg"], 2, "--at"),
        (["--take-back", "1"], 2, "0 retouches"),
        (["--take-back", "1", "--at", "5,5"], 2, "one of them"),
        (["--at", "5,5", "--station", "middle"], 1, "not of middle"),
        (["--at", "5,5", "--frame", "x.jpg"], 1, "no frame 'x.jpg'"),
        (["--at", "5"], 2, "812,540"),
    ],
)
def test_what_makes_no_sense_is_told_and_changes_nothing(nearpair, shoot, arguments, status, says):
    before = (shoot / "shoot.toml").read_bytes()
    result = nearpair("retouch", shoot, *arguments)
    assert result.exit_code == status
    assert says in " ".join(result.stderr.replace("│", " ").split())
    assert (shoot / "shoot.toml").read_bytes() == before


def test_points_are_read_as_they_are_written():
    assert parse_points(" 1,2.5  -3,4 ").value == ((1.0, 2.5), (-3.0, 4.0))
