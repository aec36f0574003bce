"""The summaries: what people are told, in which words."""

from pathlib import Path

import msgspec
import pytest

from nearpair.cli import words
from nearpair.proof.model import Eyes, Focus, LensProfile, SetAside, Station, ViewsLight, decode
from nearpair.proof.model_advice import Finding
from nearpair.shoot.run import Look

change = msgspec.structs.replace
SHOOT = Path("my shoot")


@pytest.fixture(scope="module")
def proof(finished):
    return decode((finished[0] / "proof.json").read_bytes())


def station(name="left", **changes):
    usual = {
        "frames": ["A_1.JPG", "A_2.JPG", "A_3.JPG"],
        "order": "far-to-near",
        "kind": "rail",
        "order_confidence": 0.93,
        "focus": Focus(covered_fraction=0.9),
    }
    return Station(name=name, **{**usual, **changes})


def told(lines):
    return "\n".join(line.text for line in lines)


def loud(lines):
    return [line.text for line in lines if line.style == words.LOUD]


def summary(proof):
    return words.proof(proof, SHOOT, SHOOT / "out/anaglyph.jpg", SHOOT / "proof.html")


@pytest.mark.parametrize(
    ("confidence", "phrase"),
    [(1, "100 % sure"), (0.9999, "99 % sure"), (0.754, "75 % sure"), (0, "0 % sure")],
)
def test_sure(confidence, phrase):
    assert words.sure(confidence) == phrase


def test_stations_with_frames_kind_order_and_confidence():
    single = station("right", frames=["B_9.JPG"], kind="single", order="unknown")
    said = told(words.stations([station(), single], []))
    assert said == (
        "left: 3 frames (A_1.JPG to A_3.JPG), rail stack, far to near, 93 % sure\n"
        "right: 1 frame, a single frame and no stack"
    )


def test_an_unknown_order_is_called_so():
    assert "order unknown" in told(words.stations([station(order="unknown")], []))


def test_files_set_aside_are_named_the_first_three_of_them():
    aside = [SetAside(file=f"X_{number}.JPG", reason="cut short") for number in range(5)]
    said = told(words.stations([station()], aside))
    assert "set aside: X_2.JPG (cut short)" in said
    assert "X_3.JPG" not in said
    assert said.endswith("and 2 more were set aside")


def test_certain_eyes_are_told_quietly():
    lines = list(words.eyes(Eyes(left="a", right="b", confidence=0.97)))
    assert told(lines) == "left eye a, right eye b, 97 % sure"
    assert loud(lines) == []


def test_doubtful_eyes_are_told_loudly_with_how_to_decide():
    lines = list(words.eyes(Eyes(left="a", right="b", confidence=0.74)))
    assert loud(lines)[0].startswith("NOT CERTAIN")
    assert "--left a --right b" in loud(lines)[1]
    assert "--left b --right a" in loud(lines)[1]


def test_a_contradiction_is_told_loudly_even_by_the_confident():
    lines = list(words.eyes(Eyes(left="a", right="b", confidence=0.99, contradiction="names say b")))
    assert loud(lines)[0] == "CONTRADICTION: Names say b"
    assert "--left b --right a" in loud(lines)[1]


def test_depth_in_px_and_of_the_width(proof):
    found = change(
        proof.depth, near_px=-2.04, far_px=10.86, deviation_px=12.9, deviation_fraction_of_width=0.0146
    )
    assert words.depth(found).text.startswith("12.9 px from near to far, 1.5 % of the width (near -2.0 px")
    assert words.depth(change(found, near_px=None)).style == words.LOUD


def test_comfort_names_the_place_and_the_widest_picture(proof):
    found = change(
        proof.comfort, near_arcmin=-3.2, far_arcmin=41.6, within=True, largest_screen_width_mm=856.2
    )
    said = words.comfort(found).text
    assert said.startswith("comfortable 600 mm wide, seen from 600 mm (near -3, far +42 arcmin")
    strained = words.comfort(change(found, within=False))
    assert strained.style == words.LOUD
    assert strained.text.startswith("too deep")
    assert strained.text.endswith("comfortable up to 856 mm wide")
    assert "could not be measured" in words.comfort(change(found, near_arcmin=None)).text


def test_advice_names_this_shoot_in_its_commands():
    finding = Finding(code="x", severity="care", text="bad", remedy="`nearpair mount SHOOT --window near`")
    (line,) = words.advice([finding], SHOOT)
    assert line.text == "care: Bad `nearpair mount 'my shoot' --window near`"


def test_only_the_top_advice_is_shown():
    findings = [Finding(code="x", severity="note", text=f"number {number}", remedy="") for number in range(5)]
    said = told(words.advice(findings, SHOOT))
    assert "Number 2" in said
    assert "Number 3" not in said
    assert said.endswith("and 2 more in the proof")


def test_the_summary_has_everything_and_a_caution(proof):
    lines = summary(proof)
    labels = [line.label for line in lines if line.label]
    before, after = ["Stations", "Eyes", "Depth", "Comfort"], ["Advice", "Glasses", "Anaglyph", "Proof"]
    wanted = [*before, "Window", "Crop", "Lens", "Verdict", *after]
    assert [label for label in labels if label != "Note"] == wanted
    assert next(line.text for line in lines if line.label == "Verdict") == proof.verdict
    assert words.CAUTION in told(lines)


def test_what_was_done_about_the_lens(proof):
    def said(lens):
        lines = words.window(change(proof.mounting, lens=lens))
        return [line.text for line in lines if line.label == "Lens"]

    taken = LensProfile(name="A 60", largest_px=3.26, taken_out=True, note="as measured far away")
    assert said(taken) == ["A 60: up to 3.3 px of distortion taken out, as measured far away"]
    little = LensProfile(name="A 60", largest_px=0.02, note="too little to be taken out")
    assert said(little) == ["A 60: too little to be taken out"]
    assert said(LensProfile(note="left as it is. Why.")) == ["Distortion left as it is. Why."]
    assert said(None) == []


def test_light_that_was_evened_is_told(proof):
    def said(**light):
        lines = words.window(change(proof.mounting, light=ViewsLight(**light)))
        return [line.text for line in lines if line.label == "Light"]

    evened = said(stops=-0.31, white_balance_shift=0.124, evened=True, note="evened, as was decided")
    assert evened == ["right view 0.31 stops darker as shot, 12 % off in colour; evened, as was decided"]
    assert said(stops=-0.31, white_balance_shift=0.124, note="left as shot, as was decided") == []


def test_notes_are_passed_on(proof):
    assert "frames were mixed" in told(summary(change(proof, notes=["frames were mixed"])))


def look(stations, eyes=None, reason=""):
    return Look(stations=stations, eyes=eyes, pair_reason=reason, set_aside=[], notes=["by the clock"])


def test_a_look_at_one_station_says_that_a_pair_needs_two():
    lines = words.look(look([station()]))
    assert loud(lines) == ["only one station: a pair needs two"]
    assert "by the clock" in told(lines)


def test_a_look_at_more_than_two_stations_says_why_this_pair():
    eyes = Eyes(left="a", right="c", confidence=0.9)
    said = told(words.look(look([station("a"), station("b"), station("c")], eyes, "widest base")))
    assert "Widest base" in said
    assert "Widest base" not in told(words.look(look([station("a"), station("c")], eyes, "widest base")))


def test_paragraphs_are_wrapped_with_a_hanging_indent():
    wrapped = words.Line("Eyes", "left eye first-station, right eye second-station").wrapped(34)
    assert wrapped == "Eyes      left eye first-station,\n          right eye second-station"


def test_paths_are_never_wrapped():
    line = words.Line("Proof", "a folder/with  blanks/proof.html", whole=True)
    assert line.wrapped(12) == "Proof     a folder/with  blanks/proof.html"


def test_where_the_result_of_a_stage_lies():
    said = told(words.stage_done(SHOOT / "pair", SHOOT))
    assert said.startswith("my shoot/pair\n")
    assert "nearpair proof 'my shoot'" in said
