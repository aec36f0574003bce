"""`nearpair glasses`, and a calibration file in the place of the name of the glasses."""

import pytest

MINE = """version = 1
kind = "red-cyan"
[left]
red = 0.7
green = 0.012
blue = 0.004
[right]
red = 0.3
green = 0.62
blue = 0.61
"""


@pytest.fixture
def mine(tmp_path):
    path = tmp_path / "mine.toml"
    path.write_text(MINE)
    return path


def test_the_page_is_written_once(nearpair, tmp_path):
    page = tmp_path / "page.html"
    first = nearpair("glasses", "--to", page)
    assert first.exit_code == 0
    assert "browser" in first.stdout
    assert page.read_text().startswith("<!doctype html>")
    assert nearpair("glasses", "--to", page).exit_code == 0
    page.write_text("something of somebody's own")
    refused = nearpair("glasses", "--to", page)
    assert refused.exit_code == 1
    assert "never overwritten" in refused.stderr
    assert page.read_text() == "something of somebody's own"


def test_a_calibration_file_is_told_in_words(nearpair, mine):
    said = " ".join(nearpair("glasses", "--check", mine).stdout.split())
    assert "passes 70.0 % of red, 1.2 % of green, 0.4 % of blue" in said
    # by hand: (0.2126·0.3 + 0.7152·0.62 + 0.0722·0.61) / (0.2126·0.7 + 0.7152·0.012 + 0.0722·0.004)
    assert "3.5 times darker for the left eye" in said
    # by hand: 0.2126·0.3 / (0.7152·0.62 + 0.0722·0.61)
    assert "right eye: 13.1 %" in said


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        ("version = 1", "version = 9", "has version 9"),
        ("red = 0.7", "red = 7", "[left] red: expected a share"),
        ('"red-cyan"', '"pink"', "kind: expected one of"),
        ("[left]", "[left", "is not valid TOML"),
    ],
)
def test_what_is_wrong_in_it_is_named(nearpair, mine, old, new, text):
    mine.write_text(MINE.replace(old, new))
    result = nearpair("glasses", "--check", mine)
    assert result.exit_code == 1
    assert text in result.stderr
    assert "mine.toml" in result.stderr.replace("\n", "")


def test_a_file_that_is_not_there(nearpair, tmp_path, finished_copy):
    assert nearpair("glasses", "--check", tmp_path / "gone.toml").exit_code == 1
    assert nearpair("export", finished_copy, "--glasses", tmp_path / "gone.toml").exit_code == 2


def test_it_is_taken_instead_of_a_name_and_made_anew_when_it_changes(nearpair, finished_copy, mine):
    first = nearpair("export", finished_copy, "--glasses", mine)
    assert first.exit_code == 0, first.stderr
    made = finished_copy / "out" / "anaglyph-red-cyan-measured-matched.jpg"
    assert str(made) in first.stdout
    before = made.read_bytes()
    mine.write_text(MINE.replace("red = 0.3", "red = 0.02"))
    assert nearpair("export", finished_copy).exit_code == 0
    assert made.read_bytes() != before
    mine.write_text(MINE.replace("red = 0.3", "red = 3"))
    broken = nearpair("export", finished_copy)
    assert broken.exit_code == 1
    assert "[right] red" in broken.stderr
