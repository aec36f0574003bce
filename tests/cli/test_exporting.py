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
        (("--again", "--as", "card"), 2, "give it alone"),
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


def test_what_is_older_than_the_picture_is_listed_and_made_again(nearpair, finished_copy):
    assert nearpair("export", finished_copy, "--as", "crossed", "--size", 90).exit_code == 0
    fresh = nearpair("export", finished_copy, "--list")
    assert "As is now forms/crossed.jpg\n" in fresh.stdout
    assert "Older" not in fresh.stdout
    mounted = nearpair("mount", finished_copy, "--window", "near")
    assert "files in out show an earlier state of the picture" in mounted.stdout
    assert f"nearpair export {finished_copy} --again" in mounted.stdout
    done = nearpair("proof", finished_copy)
    assert "Older     1 file in out shows an earlier state of the picture: forms/crossed.jpg" in done.stdout
    listed = nearpair("export", finished_copy, "--list")
    assert "Older     forms/crossed.jpg (the pair was mounted anew)\n" in listed.stdout
    again = nearpair("export", finished_copy, "--again")
    assert (again.exit_code, again.stdout.count("Made")) == (0, 1)
    ages = json.loads(nearpair("export", finished_copy, "--list", "--json").stdout)
    assert {age["older"] for age in ages} == {""}
    assert "nothing to make again" in nearpair("export", finished_copy, "--again").stdout
