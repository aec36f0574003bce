"""Lengths in mm in the proof: the scale bar, the figures, and what is said when a length is contradicted."""

import msgspec
import numpy as np
import pytest

from nearpair.proof.advice import advise
from nearpair.proof.figures import figures
from nearpair.proof.model import Length, Metric, decode, encode
from nearpair.proof.phrases import with_error
from nearpair.proof.report import render
from nearpair.proof.scalebar import ScaleBar, drawn, scale_bar

replace = msgspec.structs.replace

SIZES = Metric(
    base=Length(used_mm=6.1, error_mm=0.1, stated_mm=6.1),
    near_mm=-4.2,
    far_mm=9.9,
    range_mm=14.1,
    range_error_mm=0.3,
    distance_mm=236.0,
    distance_error_mm=5.0,
    window_mm_per_px=0.031,
    near_mm_per_px=0.030,
    far_mm_per_px=0.033,
    scale_error_share=0.02,
    rests_on=["stated base", "rail", "disparity"],
)
WRONG = Length(
    used_mm=6.083,
    error_mm=0.12,
    stated_mm=6.5,
    measured_mm=6.083,
    measured_error_mm=0.12,
    contradicted=True,
)


def findings(proof, metric):
    return {finding.code: finding for finding in advise(replace(proof, metric=metric))}


def rows(proof, metric):
    groups = {group.title: group.rows for group in figures(replace(proof, metric=metric))}
    return {row[0]: row[1:] for row in groups["In mm"]}


def test_a_contradicted_base_is_told_in_plain_words(proof):
    finding = findings(proof, Metric(base=WRONG))["base-differs"]
    assert finding.text == "The sideways move was 6.1 mm, not 6.5 mm."
    assert finding.severity == "note"
    assert "`base_mm`" in finding.remedy
    assert "6.1 mm, give or take 0.1 mm" in finding.measured


def test_the_other_stated_length_is_named_as_a_suspect(proof):
    step = Length(used_mm=0.5, error_mm=0.01, stated_mm=0.5)
    finding = findings(proof, Metric(base=WRONG, step=step))["base-differs"]
    assert "the step of 0.5 mm" in finding.remedy
    finding = findings(proof, Metric(step=WRONG))["step-differs"]
    assert finding.text == "The step was 6.1 mm, not 6.5 mm."


def test_one_of_two_is_off_and_neither_is_blamed(proof):
    step = replace(WRONG, stated_mm=0.5, measured_mm=0.534, measured_error_mm=0.012)
    found = findings(proof, Metric(base=WRONG, step=step, one_of_two=True))
    assert not {"base-differs", "step-differs"} & set(found)
    finding = found["base-or-step-differs"]
    assert finding.text.endswith(
        "move of 6.5 mm and the step of 0.5 mm do not fit together: one of the two is off."
    )
    assert (
        "the sideways move was 6.1 mm; if the sideways move is right, the step was 0.53 mm" in finding.remedy
    )


@pytest.mark.parametrize("metric", [None, SIZES, Metric(base=replace(WRONG, contradicted=False))])
def test_what_is_not_contradicted_is_not_told(proof, metric):
    assert not {"base-differs", "step-differs"} & set(findings(proof, metric))


@pytest.mark.parametrize(
    ("value", "error", "expected"),
    [(6.083, 0.12, ("6.1", "0.1")), (8.011, 1.397, ("8", "1")), (0.5, 0.0123, ("0.50", "0.01"))],
)
def test_no_more_digits_are_told_than_are_known(value, error, expected):
    assert with_error(value, error) == expected


def test_figures_say_how_much_is_known(proof):
    found = rows(proof, SIZES)
    assert found["Depth, near to far"] == (
        "14.1 ± 0.3 mm",
        "-4.2 to +9.9 mm, minus is in front of the window",
    )
    assert found["Stereo base"] == ("6.1 ± 0.1 mm", "stated 6.1 mm")
    assert found["Step of focus"][0] == "not known"
    assert found["Size of a pixel"][0] == "0.031 mm"
    assert (
        rows(proof, Metric(base=WRONG))["Stereo base"][1]
        == "stated 6.5 mm; from everything else 6.1 ± 0.1 mm"
    )
    assert "In mm" not in [group.title for group in figures(replace(proof, metric=None))]


def test_lengths_survive_the_file(proof):
    full = replace(proof, metric=replace(SIZES, base=WRONG))
    assert decode(encode(full)) == decode(encode(decode(encode(full))))
    assert decode(encode(full)).metric.base == WRONG


def test_the_bar_has_the_length_that_it_says(proof):
    """320 px of 0.031 mm: 9.92 mm; 2 mm are the longest round length within a quarter."""
    bar = scale_bar(replace(proof, metric=SIZES))
    assert bar.label == "2 mm"
    assert bar.share * proof.picture.width_px * 0.031 == pytest.approx(2.0)
    assert scale_bar(proof) is None
    assert scale_bar(replace(proof, metric=Metric(base=WRONG))) is None


@pytest.mark.parametrize("ground", [0, 128, 255])
@pytest.mark.parametrize("width", [320, 700, 1400])
def test_the_bar_can_be_counted_in_the_picture(ground, width):
    picture = np.full((width * 2 // 3, width, 3), ground, np.uint8)
    out = drawn(picture, ScaleBar(2.0, 0.2))
    assert (picture == ground).all()
    changed = (out != ground).any(axis=2)
    row = out[out.shape[0] - 1 - round(0.03 * width), :, 0]  # the bar's last row
    left = round(0.03 * width)
    assert (row[left : left + round(0.2 * width)] == 255).all()
    assert row[left - 1] == row[left + round(0.2 * width)] == 0  # the black plate
    assert not changed[:, width // 2 :].any()


def test_the_page_says_for_which_plane_the_bar_is_valid(proof):
    page = render(replace(proof, metric=SIZES), {"anaglyph": b"\xff\xd8\xff"})
    said = " ".join(page.split())
    assert "The scale bar is 2 mm long in the plane of the stereo window" in said
    assert "give or take 2.0 %" in said
    assert "scale bar" not in render(proof, {"anaglyph": b"\xff\xd8\xff"})
