"""Ranking of pairs: comfort first, then depth enough with the narrowest base; and the base for next time.

Depths here are made up; angles are checked against elementary geometry and the limits of `optics.viewing`.
"""

import math

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.optics.viewing import Viewing, arcmin_to_mm, mm_to_px
from nearpair.proof.advice import advise
from nearpair.proof.comfort import comfort
from nearpair.proof.depth import depth
from nearpair.proof.model import Residual
from nearpair.proof.model_pairs import Candidate, NextBase
from nearpair.proof.ranking import (
    ENOUGH_SHARE,
    Measured,
    choice_reason,
    comfortable_range_arcmin,
    held_against,
    next_base,
    ranked,
)

WIDTH = 1200
VIEWING = Viewing()
WALL = np.zeros((40, WIDTH, 3), np.uint8)


def measured(name, near_arcmin, far_arcmin, shift_px=None, viewing=VIEWING, **more):
    """A pair whose parallax runs from near to far, as steps a pixel wide."""
    ends = [mm_to_px(viewing, arcmin_to_mm(viewing, angle), WIDTH) for angle in (near_arcmin, far_arcmin)]
    parallax = np.tile(np.linspace(*ends, WIDTH, dtype=np.float32), (40, 1))
    seen = depth(parallax, WALL, viewing)
    met = comfort(seen, Residual(rms=None, p95=None), viewing, WIDTH)
    shift = shift_px if shift_px is not None else 4 * (far_arcmin - near_arcmin)
    return Measured(
        name, f"{name}'", shift, seen.deviation_px, depth=seen, comfort=met, **{"off_centre": 0.0, **more}
    )


def order(*pairs):
    return [candidate.left for _, candidate in ranked(pairs)]


def test_what_is_comfortable_is_two_degrees_less_where_eyes_would_turn_outwards():
    seen = measured("a", -10, 30).comfort
    assert comfortable_range_arcmin(seen) == pytest.approx(120)
    # eyes 50 mm apart, the narrowest of adults (Dodgson 2004), look straight ahead at points 50 mm apart
    far = measured("a", -10, 30, viewing=Viewing(2000, 4000)).comfort
    straight = math.degrees(2 * math.atan(63 / 8000) - 2 * math.atan((63 - 50) / 8000)) * 60
    assert comfortable_range_arcmin(far) == pytest.approx(60 + straight)
    assert straight < 60


def test_classes_from_the_best_to_the_worst():
    pairs = [
        Measured("stranger", "x", problem="only 3 points"),
        Measured("smooth", "x", 50.0, problem="no depth"),
        measured("far too deep", -150, 150),
        measured("deep", -66, 56),
        measured("shallow", -4, 16),
        measured("good", -4, 46),
    ]
    assert order(*pairs) == ["good", "shallow", "deep", "far too deep", "smooth", "stranger"]
    verdicts = [candidate.verdict for _, candidate in ranked(pairs)]
    assert verdicts == ["comfortable", "little depth", "deep", "too deep", "not measured", "not comparable"]


def test_enough_depth_with_the_narrowest_base():
    assert order(measured("wide", -20, 60), measured("narrow", -5, 40), measured("middle", -10, 50)) == [
        "narrow",
        "middle",
        "wide",
    ]


def test_too_little_everywhere_the_deepest_and_too_much_everywhere_the_shallowest():
    assert order(measured("a", -1, 9), measured("b", -2, 30), measured("c", -2, 20)) == ["b", "c", "a"]
    assert order(measured("a", -200, 200), measured("b", -130, 130), measured("c", -150, 150))[0] == "b"


def test_of_equal_depths_the_middle_one():
    """15 % are no difference: matching and crops make that much."""
    left, middle, right = (
        measured(name, -4, far, off_centre=off)
        for name, far, off in (("left", 44.0, 0.2), ("middle", 47.0, 0.0), ("right", 43.0, 0.21))
    )
    assert order(left, middle, right) == ["middle", "left", "right"]
    clearly = measured("clearly wider", -4, 60, off_centre=0.0)
    assert order(left, clearly)[0] == "left"


def test_a_station_with_few_frames_comes_after_all_others_and_keeps_its_figures():
    few = measured("few", -4, 46, few_frames="few has 3 usable frames, another station 20")
    (_, first), (_, last) = ranked([few, measured("shallow", -1, 9)])
    assert (first.left, last.left, last.verdict) == ("shallow", "few", "few frames")
    assert last.reason.startswith("few has 3 usable frames, another station 20; uses 4")
    assert last.range_arcmin == pytest.approx(50, rel=0.03)
    assert choice_reason(last) == "every pair that fits together has a station with few frames"


def test_without_depth_the_base_nearest_to_one_thirtieth():
    far, near = (
        Measured(name, "x", 30.0, problem="too little", off_thirtieth=off)
        for name, off in (("far", 1.2), ("near", 0.1))
    )
    unknown = Measured("unknown", "x", 0.0, problem="too little")
    assert order(unknown, far, near) == ["near", "far", "unknown"]
    assert choice_reason(ranked([near])[0][1]) == ""


def test_bases_by_the_shift_of_the_picture_or_where_cameras_were_turned_by_depth():
    shares = {
        c.left: c.base_share for _, c in ranked([measured("a", 0, 20, 100.0), measured("b", 0, 40, 200.0)])
    }
    assert shares == {"a": 0.5, "b": 1.0}
    turned = [measured("a", 0, 20, 7.0), measured("b", 0, 40, -2.0)]
    shares = {c.left: c.base_share for _, c in ranked(turned)}
    assert shares["b"] == 1.0
    assert shares["a"] == pytest.approx(0.5, rel=0.03)


@settings(deadline=None, max_examples=30)
@given(st.permutations(list(range(6))))
def test_the_order_in_which_pairs_come_does_not_matter(numbers):
    pairs = [measured(f"p{k}", -3 - k, 20 + 9 * k, off_centre=k / 10) for k in range(6)]
    assert order(*(pairs[k] for k in numbers)) == order(*pairs)


def rows(*shares_used, chosen=0):
    return [
        Candidate(
            left=f"a{k}",
            right=f"b{k}",
            base_share=share,
            used_share=used,
            verdict="comfortable",
            reason="",
            chosen=k == chosen,
        )
        for k, (share, used) in enumerate(shares_used)
    ]


def test_the_base_that_fills_what_is_comfortable():
    found = next_base(rows((0.25, 0.2), (0.5, 0.4), (1.0, 0.8), chosen=1), 6.0)
    # 1.25 of the widest fills it: 2.5 times the chosen one
    assert found.fills == pytest.approx(2.5)
    assert found.enough == pytest.approx(2.5 * ENOUGH_SHARE)
    assert (found.of_widest, found.of_narrowest) == (pytest.approx(1.25), pytest.approx(5))
    assert (found.fills_mm, found.enough_mm) == (pytest.approx(15), pytest.approx(5))
    assert next_base(rows((0.25, 0.2), (0.5, 0.4), (1.0, 0.8))).fills_mm is None


def test_the_finished_pair_sets_the_base_right():
    listed = rows((0.25, 0.2), (0.5, 0.4), (1.0, 0.8), chosen=1)
    listed[1] = msgspec.structs.replace(listed[1], range_arcmin=48.0)
    found = next_base(listed, 6.0)
    right = held_against(found, listed, 50.0)
    for name in NextBase.__struct_fields__:
        assert getattr(right, name) == pytest.approx(getattr(found, name) * 48 / 50)
    assert held_against(found, listed, None) == found
    assert held_against(None, listed, 50.0) is None


def test_no_base_is_recommended_from_less_than_three_measured_pairs():
    assert next_base(rows((1.0, 0.5))) is None
    assert next_base(rows((0.5, 0.3), (1.0, 0.5), (0.7, None))) is None
    assert next_base(rows((0.5, 0.3), (1.0, 0.5), (0.7, 0.4), (0.2, None), chosen=3)) is None
    # a stack that ends early has not all of the depth
    short = rows((0.5, 0.3), (0.7, 0.5), (1.0, 0.4))
    assert next_base(short) is not None
    assert next_base([*short[:2], msgspec.structs.replace(short[2], verdict="few frames")]) is None


@pytest.mark.parametrize(
    ("base", "text", "remedy"),
    [
        (
            NextBase(enough=0.9, fills=2.7, of_widest=1.35, of_narrowest=5.4, enough_mm=5.4, fills_mm=16.2),
            "All bases that were shot stay comfortable; 1.4 times the widest base that was shot would",
            "Next time any base from 0.9 (5.4 mm) to 2.7 times this one (16 mm) gives depth enough and stays",
        ),
        (
            NextBase(enough=0.5, fills=1.5, of_widest=0.6, of_narrowest=2.0),
            "For this viewing the base that just fills what is comfortable is 0.6 of the widest base that",
            "Next time any base from 0.5 to 1.5 times this one gives depth enough",
        ),
        (
            NextBase(enough=0.2, fills=0.6, of_widest=0.2, of_narrowest=0.6, enough_mm=1.2, fills_mm=3.6),
            "Even the narrowest base that was shot is deeper than is comfortable for this viewing.",
            "Next time shoot at most 0.6 of this base (3.6 mm); 0.2 of it (1.2 mm) gives depth enough.",
        ),
    ],
)
def test_what_is_said_of_the_base(proof, base, text, remedy):
    found = {f.code: f for f in advise(msgspec.structs.replace(proof, next_base=base))}["next-base"]
    assert found.severity == "note"
    assert found.text.startswith(text)
    assert found.remedy.startswith(remedy)


def test_two_stations_are_told_nothing_of_the_base(proof):
    assert "next-base" not in {f.code for f in advise(proof)}


def test_a_pair_that_does_not_fit_together_never_goes_before_one_that_does():
    """However few frames that one has: it can be made, the other cannot."""
    few = measured("few", -20, 20, few_frames="few has 2 usable frames, another station 9")
    assert order(Measured("strange", "strange'", problem="they do not fit"), few) == ["few", "strange"]
    assert order(few, measured("whole", -90, 150)) == ["whole", "few"]
