"""`nearpair export`: the list of forms, and what is asked for by name."""

import json

import pytest

from nearpair.outputs.catalogue import FORMS


def test_the_list_says_for_every_form_who_can_see_it(nearpair):
    result = nearpair("export", "--list")
    assert result.exit_code == 0
    for form in FORMS:
        assert f" {form.name}\n" in result.stdout
        assert form.needs in result.stdout


def test_the_list_for_programs(nearpair):
    found = json.loads(nearpair("export", "--list", "--json").stdout)
    assert [form["name"] for form in found] == [form.name for form in FORMS]
    assert set(found[0]) == {"name", "what", "needs", "suffix", "extra"}


def test_forms_by_name(nearpair, finished_copy):
    result = nearpair("export", finished_copy, "--as", "crossed,row-interleaved", "--size", 90, "--json")
    assert result.exit_code == 0, result.stderr
    found = json.loads(result.stdout)["forms"]
    assert [form["name"] for form in found] == ["crossed", "row-interleaved"]
    assert (finished_copy / "out" / "forms" / "crossed.jpg").is_file()
    assert "row-interleaved.png" in result.stderr


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        (("--as", "crosed"), 1, "Did you mean crossed"),
        (("--size", "90"), 2, "need --as"),
        (("--as", "card", "--paper", "b5"), 2, "expected letter or a4"),
    ],
)
def test_refusals(nearpair, finished, arguments, status, said):
    result = nearpair("export", finished[0], *arguments)
    assert result.exit_code == status
    assert said in " ".join(result.stderr.replace("│", " ").split())


def test_without_a_shoot_it_says_so(nearpair):
    result = nearpair("export")
    assert result.exit_code == 2
    assert "--list" in result.stderr
