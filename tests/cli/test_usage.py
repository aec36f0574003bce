"""What somebody reads who has never used the program: help, missing and mistyped words."""

import re

import pytest

from nearpair.cli.main import _GROUPS, app


def plain(text):
    """Text without the frames that are drawn around it, on one line."""
    return " ".join(re.sub(r"[╭╮╰╯│─]", " ", text).split())


def test_help_shows_every_command_in_its_group(nearpair):
    shown = plain(nearpair("--help").stdout)
    places = [shown.index(group) for group in _GROUPS]
    assert places == sorted(places)
    assert len(app.registered_commands) == sum(len(members) for members in _GROUPS.values())


@pytest.mark.parametrize("name", [command.callback.__name__ for command in app.registered_commands])
def test_help_names_no_types_of_programs(nearpair, name):
    shown = nearpair(name, "--help").stdout
    assert not re.search(r"<(bool|path|int|str|float|list)", shown)
    assert "--help" in shown


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        (["make"], "Missing argument 'SOURCE'. The card's folder, or one folder for each station"),
        (["make"], "For example: nearpair make card --to quartz"),
        (["make", "card"], "Missing option '--to'. The folder to make or to go on with. For example:"),
        (["proof"], "Missing argument 'SHOOT'. The folder of the shoot. For example: nearpair proof quartz"),
        (["mak"], "Did you mean 'make'?"),
        (["make", "card", "--windw", "near"], "--window"),
    ],
)
def test_what_is_missing_or_mistyped_is_explained(nearpair, typed, said):
    result = nearpair(*typed)
    assert result.exit_code == 2
    assert said in plain(result.stderr)


def test_a_folder_that_is_not_there_is_told_from_one_without_a_shoot(nearpair, tmp_path):
    gone = nearpair("proof", tmp_path / "gone").stderr
    assert "no such folder" in gone
    assert "Check the spelling" in gone
    assert "no such folder" not in nearpair("proof", tmp_path).stderr


def test_watching_a_folder_that_is_not_there_does_not_begin(nearpair, tmp_path):
    result = nearpair("watch", tmp_path / "gone")
    assert result.exit_code == 1
    assert "there is no such folder" in result.stderr
    assert "Waiting" not in result.stdout + result.stderr
