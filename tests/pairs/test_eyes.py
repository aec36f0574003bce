"""The joint decision on eyes and orders, as truth tables.

Geometry (no source needed): parallel axes, and a camera moved to the right sees everything farther left; a
camera that comes closer grows the picture and focuses deeper (near to far); what is nearer has the larger
x_left − x_right. Weights are the project's own; only their signs and limits are tested.
"""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.pairs.eyes import (
    FAR_TO_NEAR,
    NEAR_TO_FAR,
    PairEvidence,
    StackEvidence,
    decide,
    shift_log_odds,
    strips_log_odds,
)
from nearpair.pairs.halfhidden import Strips

NOTHING = PairEvidence(np.zeros(0), None, None, Strips(0, 0), Strips(0, 0), 0.0)
PLAIN = (StackEvidence("a", 12), StackEvidence("b", 12))
SINGLE = (StackEvidence("a", 1), StackEvidence("b", 1))
OTHER = {FAR_TO_NEAR: NEAR_TO_FAR, NEAR_TO_FAR: FAR_TO_NEAR}


def stacks(**changes):
    return tuple(replace(stack, **changes) for stack in PLAIN)


def shifted(px, depth_px=10.0):
    return np.linspace(px - depth_px / 2, px + depth_px / 2, 50)


def swapped(pair):
    """The same two views named in the other order."""
    return PairEvidence(
        -pair.disparities_px,
        None if pair.focus_second is None else -pair.focus_second,
        None if pair.focus_first is None else -pair.focus_first,
        pair.strips_second,
        pair.strips_first,
        -pair.names_say_first,
    )


def test_without_evidence_the_odds_are_even():
    for given_stacks in (PLAIN, SINGLE):
        for pair in (None, NOTHING):
            found = decide(given_stacks, pair)
            assert found.confidence == pytest.approx(0.5)
            assert found.evidence == ()
            assert found.contradiction is None
    for order in decide(PLAIN, None).orders:
        assert order.confidence == pytest.approx(0.5)
        assert order.kind_confidence == pytest.approx(0.5)
        assert order.evidence == ()


@pytest.mark.parametrize("given_stacks", [PLAIN, SINGLE], ids=["stacks", "single-frames"])
@pytest.mark.parametrize(
    ("cue", "pair", "least"),
    [
        ("sideways shift", replace(NOTHING, disparities_px=shifted(60)), 0.95),
        ("half-hidden strips", replace(NOTHING, strips_first=Strips(200, 40)), 0.93),
        ("half-hidden strips", replace(NOTHING, strips_second=Strips(40, 200)), 0.93),
        ("folder names", replace(NOTHING, names_say_first=1.0), 0.8),
    ],
)
def test_one_cue_alone(given_stacks, cue, pair, least):
    found, other = decide(given_stacks, pair), decide(given_stacks[::-1], swapped(pair))
    assert found.first_is_left
    assert least < found.confidence < 0.998
    assert [(c.cue, c.says) for c in found.evidence] == [(cue, "a")]
    # named in the other order the same station is left, exactly as surely
    assert not other.first_is_left
    assert other.confidence == pytest.approx(found.confidence)
    assert [(c.cue, c.says) for c in other.evidence] == [(cue, "a")]


@pytest.mark.parametrize("first_is_left", [True, False])
@pytest.mark.parametrize("orders", [(x, y) for x in OTHER for y in OTHER])
def test_focus_ties_the_eyes_to_the_orders(orders, first_is_left):
    """A stack shot far to near is sharpest late where x_left − x_right is large."""
    rho = [(1 if order == FAR_TO_NEAR else -1) * (1 if first_is_left else -1) * 0.9 for order in orders]
    pair = replace(NOTHING, focus_first=rho[0], focus_second=rho[1])
    known = tuple(replace(stack, given_order=order) for stack, order in zip(PLAIN, orders, strict=True))
    found = decide(known, pair)
    assert found.first_is_left == first_is_left
    assert 0.98 < found.confidence < 1.0
    assert [c.cue for c in found.evidence] == ["focus order against disparity"]
    # the other way: who is left tells the orders
    shifts = replace(pair, disparities_px=shifted(60 if first_is_left else -60))
    told = decide(PLAIN, shifts)
    assert told.first_is_left == first_is_left
    assert tuple(order.order for order in told.orders) == orders
    assert all(0.9 < order.confidence < 1.0 for order in told.orders)
    for order, station_order in zip(told.orders, orders, strict=True):
        assert [(c.cue, c.says) for c in order.evidence] == [("depth order against disparity", station_order)]


def test_focus_without_anything_else_tells_nothing_of_the_eyes():
    found = decide(PLAIN, replace(NOTHING, focus_first=0.9, focus_second=0.9))
    assert found.confidence == pytest.approx(0.5)
    # but both stacks were shot the same way, whichever it was
    assert found.orders[0].order == found.orders[1].order


@pytest.mark.parametrize("growth", [0.05, -0.05])
@pytest.mark.parametrize("kind", ["rail", "ring"])
def test_magnification_tells_the_order_by_the_kind(kind, growth):
    """Rail: grows while it comes closer, near to far. Ring: usually grows while it focuses nearer."""
    sure = 5.0 if kind == "rail" else -5.0
    found = decide(stacks(growth=growth, rail_log_odds=sure), None).orders[0]
    grows_near_to_far = kind == "rail"
    assert found.order == (NEAR_TO_FAR if (growth > 0) == grows_near_to_far else FAR_TO_NEAR)
    assert found.kind == kind
    assert 0.8 < found.confidence < 0.99
    assert [(c.cue, c.says) for c in found.evidence] == [("magnification along the stack", found.order)]
    assert found.evidence[0].detail == ("+5.1 %" if growth > 0 else "-4.9 %")


def test_without_knowing_the_kind_magnification_tells_little():
    found = decide(stacks(growth=0.05), None).orders[0]
    assert found.confidence < 0.9
    assert decide(stacks(growth=0.001), None).orders[0].confidence == pytest.approx(0.5)


@pytest.mark.parametrize("kind", ["rail", "ring"])
def test_order_by_eyes_and_growth_tell_rail_from_ring(kind):
    """Far to near and shrinking: the camera went backwards. Far to near and growing: a ring was turned."""
    pair = replace(NOTHING, disparities_px=shifted(80), focus_first=0.9, focus_second=0.9)
    found = decide(stacks(growth=-0.06 if kind == "rail" else 0.06), pair)
    assert [order.order for order in found.orders] == [FAR_TO_NEAR, FAR_TO_NEAR]
    assert [order.kind for order in found.orders] == [kind, kind]
    assert found.orders[0].kind_confidence > 0.75


@pytest.mark.parametrize("trend", [1.0, -1.0])
def test_recorded_focus_distances_tell_the_order_and_a_ring(trend):
    found = decide(stacks(distance_trend=trend), None).orders[0]
    assert found.order == (NEAR_TO_FAR if trend > 0 else FAR_TO_NEAR)
    assert found.confidence > 0.98
    assert found.kind == "ring"
    assert [c.cue for c in found.evidence] == ["recorded focus distance"]


@pytest.mark.parametrize("order", [FAR_TO_NEAR, NEAR_TO_FAR])
@pytest.mark.parametrize("kind", ["rail", "ring"])
def test_what_was_given_by_hand_is_honoured_against_everything(order, kind):
    against = StackEvidence(
        "a",
        12,
        growth=0.05 if (order == FAR_TO_NEAR) == (kind == "rail") else -0.05,
        rail_log_odds=-5.0 if kind == "rail" else 5.0,
        distance_trend=1.0 if order == FAR_TO_NEAR else -1.0,
        given_order=order,
        given_kind=kind,
    )
    pair = replace(NOTHING, disparities_px=shifted(80), focus_first=-0.9 if order == FAR_TO_NEAR else 0.9)
    found = decide((against, replace(PLAIN[1], given_kind=kind)), pair).orders[0]
    assert (found.order, found.kind) == (order, kind)
    assert ("given by hand", order) in [(c.cue, c.says) for c in found.evidence]


def test_single_frames_have_no_order():
    for found in decide((SINGLE[0], PLAIN[1]), None).orders[:1]:
        assert (found.order, found.kind, found.confidence, found.evidence) == (None, "single", 1.0, ())


def test_a_stronger_cue_wins_and_the_weaker_one_is_named():
    pair = replace(NOTHING, disparities_px=shifted(60), names_say_first=-1.0)
    found = decide(PLAIN, pair)
    assert found.first_is_left
    assert found.confidence < decide(PLAIN, replace(pair, names_say_first=0.0)).confidence
    assert found.contradiction is not None
    assert "folder names" in found.contradiction
    assert found.contradiction.index("b") < found.contradiction.rindex("a")


def test_what_agrees_or_hardly_weighs_is_no_contradiction():
    agrees = replace(NOTHING, disparities_px=shifted(60), names_say_first=1.0, strips_first=Strips(100, 10))
    assert decide(PLAIN, agrees).contradiction is None
    slight = replace(agrees, strips_first=Strips(5, 9))
    assert decide(PLAIN, slight).contradiction is None


@pytest.mark.parametrize(
    ("cues", "expected"),
    [
        ({"names_say_first": -1.0}, "folder names"),
        ({"strips_first": Strips(20, 120)}, "half-hidden strips"),
        ({"names_say_first": -1.0, "strips_first": Strips(20, 90)}, "half-hidden strips and folder names"),
    ],
)
def test_a_contradiction_is_a_sentence_that_names_all_that_speaks_against(cues, expected):
    pair = replace(NOTHING, disparities_px=shifted(200), focus_first=0.9, focus_second=0.9, **cues)
    found = decide(stacks(given_order=FAR_TO_NEAR), pair)
    assert found.first_is_left
    assert found.contradiction == (
        f"going by {expected}, b is the left eye; going by the rest of the evidence, a is"
    )


numbers = st.floats(-1, 1)
evidence = st.builds(
    PairEvidence,
    st.lists(st.floats(-200, 200), min_size=0, max_size=60).map(np.array),
    st.none() | numbers,
    st.none() | numbers,
    st.builds(Strips, st.integers(0, 2000), st.integers(0, 2000)),
    st.builds(Strips, st.integers(0, 2000), st.integers(0, 2000)),
    st.sampled_from([-1.0, 0.0, 1.0]),
)
orders = st.sampled_from([None, FAR_TO_NEAR, NEAR_TO_FAR])
stack = st.builds(
    StackEvidence,
    st.just("a"),
    st.integers(1, 100),
    st.floats(-0.3, 0.3),
    st.floats(-8, 8),
    numbers,
    orders,
    st.sampled_from([None, "rail", "ring"]),
)


@settings(deadline=None, max_examples=80)
@given(stack, stack, evidence)
def test_never_certain_never_below_even_and_the_same_from_the_other_side(first, second, pair):
    second = replace(second, name="b")
    found = decide((first, second), pair)
    other = decide((second, first), swapped(pair))
    assert 0.5 <= found.confidence < 1.0
    assert other.confidence == pytest.approx(found.confidence)
    if found.confidence > 0.5 + 1e-9:
        assert other.first_is_left != found.first_is_left
    for order, same in zip(found.orders, other.orders[::-1], strict=True):
        assert order.confidence == pytest.approx(same.confidence)
        for confidence in (order.confidence, order.kind_confidence):
            assert 0.5 <= confidence <= 1.0
            assert confidence < 1.0 or order.order is None


class TestShift:
    """Content of the first view farther right: its camera stood farther left."""

    def test_much_shift_and_little_depth_is_strong(self):
        assert shift_log_odds(shifted(100)) == pytest.approx(3.5, abs=0.01)
        assert shift_log_odds(shifted(-100)) == pytest.approx(-3.5, abs=0.01)

    def test_depth_on_both_sides_of_zero_says_nothing(self):
        assert shift_log_odds(shifted(0, 40)) == pytest.approx(0, abs=1e-9)
        assert abs(shift_log_odds(shifted(5, 40))) < 0.4

    def test_nothing_matched_says_nothing(self):
        assert shift_log_odds(np.zeros(0)) == 0.0

    @settings(deadline=None)
    @given(st.floats(1, 100), st.floats(1, 100), st.floats(1, 100))
    def test_more_shift_says_more(self, low, more, depth_px):
        assert shift_log_odds(shifted(low, depth_px)) <= shift_log_odds(shifted(low + more, depth_px)) + 1e-12


class TestStrips:
    """Votes of both views, weakened while there are few."""

    def test_no_votes_no_odds(self):
        assert strips_log_odds(Strips(0, 0), Strips(0, 0)) == 0.0
        assert strips_log_odds(Strips(30, 30), Strips(9, 9)) == 0.0

    def test_few_votes_weigh_little(self):
        assert 0 < strips_log_odds(Strips(3, 0), Strips(0, 0)) < 0.5

    @given(st.integers(0, 5000), st.integers(0, 5000), st.integers(0, 5000), st.integers(0, 5000))
    def test_either_view_counts_and_no_number_of_votes_is_certain(self, a, b, c, d):
        odds = strips_log_odds(Strips(a, b), Strips(c, d))
        assert odds == pytest.approx(-strips_log_odds(Strips(b, a), Strips(d, c)))
        assert odds == pytest.approx(strips_log_odds(Strips(d, c), Strips(b, a)))
        assert abs(odds) < 6.0
