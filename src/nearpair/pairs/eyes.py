"""Which station is the viewer's left eye, and which end of each stack is near: one joint decision.

The two questions hang together. A matched point with larger x_left − x_right is nearer; a stack shot from
far to near is sharpest there in its later frames. So the correlation of focus index and disparity ties the
eyes to the orders, the change of magnification along a stack ties its order to the way focus was moved (a
camera that comes closer grows the picture and focuses deeper; a focus ring that focuses nearer usually grows
it too), and every cue below adds its log-odds to the combinations it agrees with. Probabilities are sums over
the sixteen combinations of (eyes, order of the first, order of the second, rail or ring).

The log-odds are this project's own: set so that one cue alone is as sure as it deserved on ray-traced stacks
and measured pairs, never above 99.8 %. Geometry of the shift: parallel axes, a camera moved right sees
everything further left. Magnification of rail and ring: thin lens, see `stacks.registration`.
"""

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from nearpair.pairs.halfhidden import Strips

Order = Literal["far-to-near", "near-to-far"]
Kind = Literal["rail", "ring"]

FAR_TO_NEAR: Order = "far-to-near"
NEAR_TO_FAR: Order = "near-to-far"
_ORDERS: tuple[Order, ...] = (FAR_TO_NEAR, NEAR_TO_FAR)
_KINDS: tuple[Kind, ...] = ("rail", "ring")

_SHIFT = 3.5
_STRIPS, _MOST_BY_STRIPS = 10.0, 5.0
_STRIPS_DAMPING = 60
_FOCUS = 5.0
_RAIL_GROWTH = 4.0
_RING_GROWTH = 1.7
_GROWTH_FROM = 0.003
_DISTANCE = 5.0
_NAMES = 1.5
_GIVEN = 12.0
# A cue that disagrees is called a contradiction from this weight on: odds of about 4 to 1, which folder names
# reach. Weaker ones are outvoted in silence, but stand in the list of evidence.
_SPEAKS_UP = 1.4
# Weights are estimates: no sum of them makes anything certain.
_MOST_SURE = 0.999999


@dataclass(frozen=True, slots=True)
class StackEvidence:
    """What one stack says by itself."""

    name: str
    frames: int
    growth: float = 0.0
    """ln of the magnification of the last frame relative to the first."""
    rail_log_odds: float = 0.0
    distance_trend: float = 0.0
    """Course of the recorded focus distance: −1 far-to-near, 1 near-to-far, 0 unknown."""
    given_order: Order | None = None
    given_kind: Kind | None = None


@dataclass(frozen=True, slots=True)
class PairEvidence:
    """What the two views say together; `first` and `second` in the order of the stack evidence."""

    disparities_px: NDArray[np.float64]
    """x_first − x_second of matched points (px)."""
    focus_first: float | None
    """Rank correlation of disparity with the focus index of the first stack; None for a single frame."""
    focus_second: float | None
    strips_first: Strips
    strips_second: Strips
    names_say_first: float
    """1: the names call the first station left, −1: right, 0: nothing."""
    full_px: float = 1.0
    """Px of the frames per px of the pictures that were compared."""


@dataclass(frozen=True, slots=True)
class Cue:
    """One piece of evidence: for whom it speaks (`says`), and its weight in natural log-odds."""

    cue: str
    says: str
    weight: float
    detail: str


@dataclass(frozen=True, slots=True)
class OrderFound:
    """Order and kind of one stack with their probabilities; order None for a single frame."""

    order: Order | None
    confidence: float
    kind: Kind | Literal["single"]
    kind_confidence: float
    evidence: tuple[Cue, ...]


@dataclass(frozen=True, slots=True)
class EyesFound:
    """The decision: is the first station the left eye, how sure, and why."""

    first_is_left: bool
    confidence: float
    evidence: tuple[Cue, ...]
    contradiction: str | None
    orders: tuple[OrderFound, OrderFound]


@dataclass(frozen=True, slots=True)
class _World:
    """One combination of the unknowns."""

    first_is_left: bool
    orders: tuple[Order, Order]
    kind: Kind


_WORLDS = tuple(
    _World(eyes, (first, second), kind)
    for eyes, first, second, kind in itertools.product((True, False), _ORDERS, _ORDERS, _KINDS)
)


def shift_log_odds(disparities_px: NDArray[np.float64]) -> float:
    """Positive when the first view's content lies to the right: then the first station is the left eye.

    Strong when the whole picture is shifted by much more than depth spreads it, weak when the pair was
    re-aimed or cropped so that shifts go both ways.
    """
    if len(disparities_px) == 0:
        return 0.0
    low, middle, high = np.percentile(disparities_px, [2, 50, 98])
    return float(_SHIFT * np.tanh(middle / (2 * max(high - low, 1.0))))


def strips_log_odds(first: Strips, second: Strips) -> float:
    """Positive when half-hidden strips say that the first view is the left eye."""
    votes_for, votes_against = first.left + second.right, first.right + second.left
    total = votes_for + votes_against
    if total == 0:
        return 0.0
    odds = _STRIPS * (votes_for - votes_against) / (total + _STRIPS_DAMPING)
    return float(np.clip(odds, -_MOST_BY_STRIPS, _MOST_BY_STRIPS))


def _eye_cues(stacks: Sequence[StackEvidence], pair: PairEvidence) -> list[Cue]:
    shift, hidden = (
        shift_log_odds(pair.disparities_px),
        strips_log_odds(pair.strips_first, pair.strips_second),
    )
    middle = pair.full_px * float(np.median(pair.disparities_px)) if len(pair.disparities_px) else 0.0
    votes = pair.strips_first.plus(Strips(pair.strips_second.right, pair.strips_second.left))
    found = [
        ("sideways shift", shift, f"the whole picture is shifted by {abs(middle):.1f} px"),
        (
            "half-hidden strips",
            hidden,
            f"{max(votes.left, votes.right)} strips of {votes.left + votes.right}",
        ),
        ("folder names", _NAMES * pair.names_say_first, "the names of the folders or stations"),
    ]
    return [
        Cue(cue, stacks[0 if odds > 0 else 1].name, abs(odds), detail)
        for cue, odds, detail in found
        if abs(odds) > 0.01
    ]


def _focus_says(rho: float, first_is_left: bool, order: Order) -> float:
    """Rho if a correlation of focus index with x_first − x_second fits eyes and order, else −rho."""
    nearer_is_later = order == FAR_TO_NEAR
    nearer_is_larger = first_is_left
    return rho if nearer_is_later == nearer_is_larger else -rho


def _grows(kind: Kind, order: Order) -> int:
    """+1 when frames grow along the stack, −1 when they shrink."""
    if kind == "rail":
        return 1 if order == NEAR_TO_FAR else -1
    return 1 if order == FAR_TO_NEAR else -1


def _score(world: _World, stacks: Sequence[StackEvidence], pair: PairEvidence | None) -> float:
    total = sum(
        _stack_score(stack, order, world.kind) for stack, order in zip(stacks, world.orders, strict=True)
    )
    if pair is None:
        return total
    sign = 1 if world.first_is_left else -1
    odds = shift_log_odds(pair.disparities_px) + strips_log_odds(pair.strips_first, pair.strips_second)
    total += sign * (odds + _NAMES * pair.names_say_first) / 2
    for rho, order in zip((pair.focus_first, pair.focus_second), world.orders, strict=True):
        if rho is not None:
            total += _FOCUS * _focus_says(rho, world.first_is_left, order) / 2
    return total


def _stack_score(stack: StackEvidence, order: Order, kind: Kind) -> float:
    if stack.frames < 2:
        return 0.0
    total = (stack.rail_log_odds if kind == "rail" else -stack.rail_log_odds) / 2
    if abs(stack.growth) > _GROWTH_FROM:
        trust = _RAIL_GROWTH if kind == "rail" else _RING_GROWTH
        agrees = _grows(kind, order) * stack.growth > 0
        # a proper probability, so that a surprising sign costs a kind more the surer that kind is
        total += -math.log1p(math.exp(-trust)) if agrees else -math.log1p(math.exp(trust))
    total += _DISTANCE * stack.distance_trend * (1 if order == NEAR_TO_FAR else -1) / 2
    if abs(stack.distance_trend) > 0.5:
        total += 2.0 if kind == "ring" else -2.0
    if stack.given_order is not None:
        total += _GIVEN if order == stack.given_order else -_GIVEN
    if stack.given_kind is not None:
        total += _GIVEN if kind == stack.given_kind else -_GIVEN
    return total


def decide(stacks: tuple[StackEvidence, StackEvidence], pair: PairEvidence | None) -> EyesFound:
    """Weigh everything. Without `pair` (nothing matched) the eyes stay at even odds."""
    scores = np.array([_score(world, stacks, pair) for world in _WORLDS])
    weights = np.exp(scores - scores.max())
    weights /= weights.sum()
    left = float(sum(w for w, world in zip(weights, _WORLDS, strict=True) if world.first_is_left))
    first_is_left = left >= 0.5
    cues = [*_eye_cues(stacks, pair), *_tied_cues(stacks, pair)] if pair is not None else []
    return EyesFound(
        first_is_left,
        _confidence(left),
        tuple(cues),
        _contradiction(cues, stacks[0 if first_is_left else 1].name),
        (_order(0, stacks, pair, weights), _order(1, stacks, pair, weights)),
    )


def _confidence(share: float) -> float:
    """How sure the likelier of two answers is, from the probability of either."""
    return min(max(share, 1 - share), _MOST_SURE)


def _tied_cues(stacks: tuple[StackEvidence, StackEvidence], pair: PairEvidence) -> list[Cue]:
    """What focus and magnification together say of the eyes, without the other cues."""
    bare = PairEvidence(np.zeros(0), pair.focus_first, pair.focus_second, Strips(0, 0), Strips(0, 0), 0.0)
    scores = np.array([_score(world, stacks, bare) for world in _WORLDS])
    weights = np.exp(scores - scores.max())
    left = float(
        sum(w for w, world in zip(weights, _WORLDS, strict=True) if world.first_is_left) / weights.sum()
    )
    left = min(max(left, 1e-4), 1 - 1e-4)
    odds = math.log(left / (1 - left))
    if abs(odds) < 0.05:
        return []
    name = stacks[0 if odds > 0 else 1].name
    return [Cue("focus order against disparity", name, abs(odds), "which things are sharp in which frames")]


def _contradiction(cues: Sequence[Cue], left: str) -> str | None:
    against = [c for c in cues if c.says != left and c.weight >= _SPEAKS_UP]
    if not against:
        return None
    listed = " and ".join(c.cue for c in against)
    other = against[0].says
    return f"going by {listed}, {other} is the left eye; going by the rest of the evidence, {left} is"


def _order(
    which: int,
    stacks: tuple[StackEvidence, StackEvidence],
    pair: PairEvidence | None,
    weights: NDArray[np.float64],
) -> OrderFound:
    stack = stacks[which]
    if stack.frames < 2:
        return OrderFound(None, 1.0, "single", 1.0, ())
    near = float(sum(w for w, x in zip(weights, _WORLDS, strict=True) if x.orders[which] == NEAR_TO_FAR))
    rail = float(sum(w for w, x in zip(weights, _WORLDS, strict=True) if x.kind == "rail"))
    return OrderFound(
        NEAR_TO_FAR if near >= 0.5 else FAR_TO_NEAR,
        _confidence(near),
        "rail" if rail >= 0.5 else "ring",
        _confidence(rail),
        tuple(_order_cues(which, stack, pair, weights)),
    )


def _order_cues(
    which: int, stack: StackEvidence, pair: PairEvidence | None, weights: NDArray[np.float64]
) -> list[Cue]:
    cues = []
    if abs(stack.growth) > _GROWTH_FROM:
        rail = float(sum(w for w, x in zip(weights, _WORLDS, strict=True) if x.kind == "rail"))
        says = NEAR_TO_FAR if (stack.growth > 0) == (rail >= 0.5) else FAR_TO_NEAR
        trust = _RAIL_GROWTH if rail >= 0.5 else _RING_GROWTH
        cues.append(
            Cue("magnification along the stack", says, trust, f"{100 * math.expm1(stack.growth):+.1f} %")
        )
    if abs(stack.distance_trend) > 0.1:
        says = NEAR_TO_FAR if stack.distance_trend > 0 else FAR_TO_NEAR
        cues.append(
            Cue("recorded focus distance", says, _DISTANCE * abs(stack.distance_trend), "camera metadata")
        )
    rho = None if pair is None else (pair.focus_first, pair.focus_second)[which]
    if rho is not None and abs(rho) > 0.05:
        left = float(sum(w for w, x in zip(weights, _WORLDS, strict=True) if x.first_is_left)) >= 0.5
        says = FAR_TO_NEAR if _focus_says(rho, left, FAR_TO_NEAR) > 0 else NEAR_TO_FAR
        cues.append(
            Cue("depth order against disparity", says, _FOCUS * abs(rho), f"rank correlation {rho:+.2f}")
        )
    if stack.given_order is not None:
        cues.append(Cue("given by hand", stack.given_order, _GIVEN, "shoot.toml"))
    return cues
