"""The table of pairs, in words."""

from pathlib import Path

import msgspec

from nearpair.cli import pair_words
from nearpair.cli.lines import GOOD
from nearpair.proof.model_pairs import Candidate, NextBase
from nearpair.shoot.run import Candidates

GOOD_PAIR = Candidate(
    left="west",
    right="middle",
    base_share=0.5,
    near_arcmin=-3.6,
    far_arcmin=42.2,
    range_arcmin=45.8,
    used_share=0.38,
    relief=76.4,
    verdict="comfortable",
    reason="uses 38 % of the depth that is comfortable",
    chosen=True,
)
STRANGER = Candidate(left="west", right="east", verdict="not comparable", reason="only 3 points")


def found(*candidates, **more):
    values = {"pair_reason": "west and middle of 3 stations: because", "next_base": None, "notes": []}
    return Candidates(candidates=list(candidates), contact_sheet="out/candidates.jpg", **{**values, **more})


def test_a_table_with_columns_below_each_other_and_the_chosen_one_marked():
    lines = list(pair_words.table([GOOD_PAIR, STRANGER]))
    assert [line.text.split() for line in lines] == [
        ["pair", "base", "near", "far", "relief", "used", "verdict"],
        ["west", "+", "middle", "0.50", "-4'", "+42'", "76", "38", "%", "comfortable", "<-", "chosen"],
        ["west", "+", "east", "-", "-", "-", "-", "-", "not", "comparable:", "only", "3", "points"],
    ]
    assert [line.style == GOOD for line in lines] == [False, True, False]
    assert all(line.whole for line in lines)
    verdict = lines[0].text.index("verdict")
    assert [line.text[verdict:].split()[0] for line in lines] == ["verdict", "comfortable", "not"]


def test_no_pairs_no_table():
    assert list(pair_words.table([])) == []


def test_bases_in_mm_where_they_are_known():
    row = list(pair_words.table([msgspec.structs.replace(GOOD_PAIR, base_mm=6.04)]))[1]
    assert " 6.0 mm " in row.text


def test_many_pairs_are_cut_short_but_the_chosen_one_is_shown():
    many = [msgspec.structs.replace(STRANGER, right=f"p{k}") for k in range(14)]
    lines = [line.text for line in pair_words.table([*many, GOOD_PAIR])]
    assert len(lines) == 1 + pair_words.SHOWN_AT_MOST + 1 + 1
    assert lines[-2].endswith("<- chosen")
    assert lines[-1] == "and 4 more"


def test_the_summary_says_why_where_and_how_to_choose_another():
    base = NextBase(enough=0.9, fills=2.7, of_widest=1.35, of_narrowest=5.4)
    all_pairs = found(GOOD_PAIR, STRANGER, next_base=base, notes=["east is a stranger."])
    lines = pair_words.pairs(all_pairs, Path("my shoot"))
    said = {line.label: line.text for line in lines}
    assert said["Chosen"] == "West and middle of 3 stations: because"
    assert said["Next time"].startswith("a base of 2.7 times the chosen one just fills what is comfortable")
    assert said["Note"] == "east is a stranger."
    assert said["Sheet"] == "out/candidates.jpg"
    assert said["Other"].startswith("nearpair mount 'my shoot' --pair west,east ")


def test_of_two_stations_there_is_nothing_to_choose():
    lines = pair_words.pairs(found(GOOD_PAIR, pair_reason="the shoot has two stations"), Path("shoot"))
    assert {line.label for line in lines} == {"Pairs", "", "Sheet"}
