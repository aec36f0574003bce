"""`nearpair plan` from the command line."""

import csv
import json

import pytest
from typer.testing import CliRunner

from nearpair.cli.main import app

MINERAL = [
    "plan",
    "--sensor",
    "full-frame",
    "--focal-length",
    "100",
    "--magnification",
    "0.5",
    "--depth",
    "20",
]


def run(*arguments):
    return CliRunner().invoke(app, arguments)


def test_the_summary_names_base_readings_and_cautions():
    done = run(*MINERAL)
    assert done.exit_code == 0
    for words in (
        "Base      13 mm",
        "step 1.19 mm",
        "right: sideways 13.00, rail 22.61 to 0.00",
        "decides",
        "eyes sting",
    ):
        assert words in done.stdout


def test_json_is_the_plan_alone_on_standard_output():
    done = run(*MINERAL, "--json")
    found = json.loads(done.stdout)
    assert found["stereo"]["base_mm"] == 13
    assert len(found["readings"]) == 40
    assert "Base" in done.stderr


def test_sheets_are_made(tmp_path):
    to = tmp_path / "plan"
    done = run(*MINERAL, "--to", str(to), "--title", "Quartz", "--explore")
    assert done.exit_code == 0, done.stderr
    assert f"Made      {to / 'plan.json'}" in done.stdout
    with (to / "readings.csv").open(newline="") as file:
        assert len(list(csv.DictReader(file))) == 40
    assert "Quartz" in (to / "sheet.html").read_text()
    assert (to / "explore.html").exists()
    assert not (to / "rail.nc").exists()


def test_charts_go_into_a_folder_of_their_own_if_none_is_named(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert run(*MINERAL).exit_code == 0
    assert list(tmp_path.iterdir()) == []
    assert run(*MINERAL, "--explore").exit_code == 0
    assert (tmp_path / "shot-plan" / "explore.html").exists()


def test_a_landscape_may_end_at_infinity():
    done = run(
        "plan", "--sensor", "full-frame", "--focal-length", "35", "--near", "2000", "--far", "inf", "--json"
    )
    assert done.exit_code == 0, done.stderr
    assert json.loads(done.stdout)["stack"]["far_mm"] is None


@pytest.mark.parametrize(
    ("extra", "status", "said"),
    [
        (["--f-number", "32"], 1, "past diffraction"),
        (["--base", "70"], 1, "cannot be matched"),
        (["--settle", "3"], 1, "Add --gcode"),
        (["--gcode", "--to", "x"], 1, "--base-travel MM"),
        (["--sensor", "huge"], 2, "full-frame"),
        (["--overlap", "1"], 2, "from 0 to 0.9"),
        (["--kind", "turntable"], 2, "rail or ring"),
        (["--comfort", "none"], 2, "one-degree"),
        (["--f-number", "nan"], 2, "above 0"),
        (["--far", "-3"], 2, "above 0"),
        (["--start", "inf"], 2, "reading in mm"),
        (["--camera", "no-such-frame.jpg"], 1, "no-such-frame.jpg"),
        (["--like", "no-such-shoot"], 1, "no shoot here"),
    ],
)
def test_what_cannot_be_done_is_said(extra, status, said, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    done = run(*MINERAL, *extra)
    assert done.exit_code == status
    assert said in " ".join(done.stderr.replace("│", " ").split())
    assert "Traceback" not in done.stderr
    assert list(tmp_path.iterdir()) == []
