"""Faults planted in a ray-traced shoot, several at once that do not hide each other: each is told.

`benchmarks/faults.py` plants one at a time in every scene; this is a short form of it.
"""

import shutil
from pathlib import Path

import pytest
from benchmarks.planting import FAULTS, sharpest

from support.jobs import run

SCENE = Path(__file__).parents[1] / "data" / "scenes" / "gears"
PLANTED = ("one shaken frame", "repeated frame", "part moved between stacks", "0.3 stops between the eyes")


@pytest.fixture(scope="module")
def told(tmp_path_factory):
    """The findings by their codes, and the frames that were spoilt."""
    home = tmp_path_factory.mktemp("faults")
    folders = home / "left", home / "right"
    for name, folder in zip(("station_2", "station_4"), folders, strict=True):
        shutil.copytree(SCENE / name, folder)
    numbers = [sharpest(folder) for folder in folders]
    for fault in PLANTED:
        folders = FAULTS[fault][0](folders)
    done = run(folders, home / "shoot")
    return {finding["code"]: finding for finding in done.shoot.proof["advice"]}, numbers, home / "shoot"


@pytest.mark.parametrize("fault", PLANTED)
def test_each_fault_is_told(told, fault):
    assert set(FAULTS[fault][1]) & set(told[0])


def test_nothing_else_is_told_but_ghosting(told):
    planted = {code for fault in PLANTED for code in FAULTS[fault][1]}
    assert set(told[0]) - planted <= {"ghosting", "unsharp-parts"}


def test_the_frames_and_the_part_are_the_ones_that_were_spoilt(told):
    findings, (repeated, shaken), _ = told
    assert f"Frame {shaken + 1} of right" in findings["shaken-frame"]["text"]
    assert f"Frame {repeated + 2} of left" in findings["repeated-frame"]["text"]
    assert findings["subject-moved"]["measured"].startswith("+4.")


def test_the_page_shows_where(told):
    findings, _, shoot = told
    page = (shoot / "proof.html").read_text()
    assert page.count('alt="Where: ') == len({"subject-moved", "ghosting"} & set(findings))
    assert "Frame: the part that moved." in page
