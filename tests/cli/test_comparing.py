"""`nearpair compare` on two small shoots."""

import json
import re
import shutil
from pathlib import Path

import pytest
from typer.testing import CliRunner

from nearpair.cli.main import app
from nearpair.shoot.comparison import told_apart
from nearpair.shoot.deciding import Overrides
from nearpair.shoot.run import make, run
from support.tiny import contents, shells

CLI = CliRunner()


@pytest.fixture(scope="module")
def two(tmp_path_factory):
    """The same shoot for two ways of looking."""
    home = tmp_path_factory.mktemp("two")
    make(shells(home / "card"), home / "small")
    shutil.copytree(home / "small", home / "large")
    run(home / "large", "proof", Overrides(screen_width_mm=4500, distance_mm=1000))
    return home


def test_both_stand_on_one_page_and_what_differs_is_marked(two):
    before = contents(two / "small")
    page = two / "both.html"
    result = CLI.invoke(app, ["compare", str(two / "small"), str(two / "large"), "--to", str(page), "--json"])
    assert result.exit_code == 0, result.output
    proofs = list(json.loads(result.stdout).values())
    text = page.read_text()
    assert text.count("data:image/jpeg") == 2
    rows = dict(
        re.findall(r'<tr( class="differs")?><th scope="row">(Relief|Exposure, right over left)', text)
    )
    assert rows == {' class="differs"': "Relief", "": "Exposure, right over left"}
    assert proofs[0]["comfort"]["far_arcmin"] < proofs[1]["comfort"]["far_arcmin"]
    assert contents(two / "small") == before


@pytest.mark.parametrize(
    ("roots", "names"),
    [
        (("a/quartz", "a/pyrite"), ["quartz", "pyrite"]),
        (("a/quartz/shoot", "a/pyrite/shoot", "b/other"), ["quartz/shoot", "pyrite/shoot", "other"]),
        (("a/x/shoot", "b/x/shoot"), ["a/x/shoot", "b/x/shoot"]),
        (("a/shoot", "a/shoot"), ["shoot", "shoot"]),
    ],
)
def test_shoots_in_folders_of_one_name_are_told_apart(roots, names):
    assert told_apart([Path("/home", root) for root in roots]) == names


def test_a_folder_without_a_proof_is_named(two, tmp_path):
    shutil.copytree(two / "small", tmp_path / "bare")
    (tmp_path / "bare" / "proof.json").unlink()
    result = CLI.invoke(app, ["compare", str(two / "small"), str(tmp_path / "bare")])
    assert result.exit_code == 1
    assert "this shoot has no proof yet" in result.output
    assert CLI.invoke(app, ["compare", str(two / "small"), "--to", str(tmp_path / "x.html")]).exit_code == 1


def test_ways_of_looking_become_numbers_and_single_ones_count_more(two):
    from nearpair.shoot.decisions import load

    result = CLI.invoke(app, ["proof", str(two / "large"), "--viewing", "phone", "--distance", "250"])
    assert result.exit_code == 0, result.output
    seen = load(two / "large" / "shoot.toml").viewing
    assert (seen.screen_width_mm, seen.distance_mm) == (145, 250)
    assert CLI.invoke(app, ["proof", str(two / "large"), "--viewing", "wall"]).exit_code == 2
