"""Plain line charts: axes with round numbers, curves, limits across and marks along."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from nearpair.plan.drawing import Drawing, Path, Tone, Words

_WIDTH, _HEIGHT, _TEXT = 160.0, 96.0, 4.2
_LEFT, _RIGHT, _TOP, _BOTTOM = 17.0, 6.0, 15.0, 15.0


@dataclass(frozen=True, slots=True)
class Curve:
    """Points (x, y) of one curve, ascending in x."""

    points: Sequence[tuple[float, float]]
    tone: Tone = "ink"
    dashed: bool = False


@dataclass(frozen=True, slots=True)
class Mark:
    """A value on one of the axes with its name: drawn across the whole chart."""

    value: float
    name: str
    tone: Tone = "soft"


@dataclass(frozen=True, slots=True)
class Axis:
    """Name with its unit, and the range that is shown."""

    name: str
    low: float
    high: float


def chart(
    title: str, x: Axis, y: Axis, curves: Sequence[Curve], along: Sequence[Mark], across: Sequence[Mark]
) -> Drawing:
    """Draw curves; `along` are values of x (upright lines), `across` values of y (level lines).

    Names of upright lines should be a letter or two: the legend beside the chart explains them.
    """
    frame = _Frame(x, y)
    items: list[Path | Words] = [*_axes(frame), *_levels(frame, across)]
    taken: list[list[float]] = [[], []]
    for mark in shown(along, x):
        px = frame.at(mark.value, y.low)[0]
        row = 0 if all(abs(px - other) > _TEXT for other in taken[0]) else 1
        taken[row].append(px)
        items += _upright(frame, mark, row)
    items += [
        Path(tuple(frame.at(*frame.kept(point)) for point in curve.points), curve.tone, 0.7, curve.dashed)
        for curve in curves
    ]
    return Drawing(_WIDTH, _HEIGHT, title, items)


def shown(along: Sequence[Mark], x: Axis) -> list[Mark]:
    """Marks that lie within an axis, ascending."""
    return sorted((mark for mark in along if x.low < mark.value < x.high), key=lambda mark: mark.value)


def round_steps(low: float, high: float, most: int = 7) -> list[float]:
    """Round numbers from low to high, 1, 2 or 5 times a power of ten apart, at most so many."""
    rough = (high - low) / most
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * factor for factor in (1, 2, 5, 10) if power * factor >= rough * (1 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    return [round(step * k, 12) for k in range(first, math.floor(high / step + 1e-9) + 1)]


@dataclass(frozen=True, slots=True)
class _Frame:
    x: Axis
    y: Axis

    def at(self, x: float, y: float) -> tuple[float, float]:
        along = (x - self.x.low) / (self.x.high - self.x.low)
        up = (y - self.y.low) / (self.y.high - self.y.low)
        return _LEFT + along * (_WIDTH - _LEFT - _RIGHT), _HEIGHT - _BOTTOM - up * (_HEIGHT - _TOP - _BOTTOM)

    def kept(self, point: tuple[float, float]) -> tuple[float, float]:
        return point[0], min(max(point[1], self.y.low), self.y.high)


def _axes(frame: _Frame) -> list[Path | Words]:
    x, y = frame.x, frame.y
    items: list[Path | Words] = [
        Path((frame.at(x.low, y.high), frame.at(x.low, y.low), frame.at(x.high, y.low)), "ink", 0.4),
        Words(_WIDTH - _RIGHT, _HEIGHT - 2.2, x.name, _TEXT, "end"),
        Words(2, _TEXT + 0.5, y.name, _TEXT),
    ]
    for value in round_steps(x.low, x.high):
        px, py = frame.at(value, y.low)
        items.append(Path(((px, py), (px, py + 1.2)), "ink", 0.4))
        items.append(Words(px, py + 5.4, f"{value:g}", 0.85 * _TEXT, "middle"))
    for value in round_steps(y.low, y.high, 5):
        px, py = frame.at(x.low, value)
        items.append(Path(((px - 1.2, py), (px, py)), "ink", 0.4))
        items.append(Words(px - 2, py + 1.2, f"{value:g}", 0.85 * _TEXT, "end"))
    return items


def _levels(frame: _Frame, across: Sequence[Mark]) -> list[Path | Words]:
    """Level lines, the upper one named above itself, the lower one below."""
    y = frame.y
    inside = sorted((mark for mark in across if y.low < mark.value < y.high), key=lambda mark: mark.value)
    items: list[Path | Words] = []
    for mark in inside:
        level = frame.at(frame.x.low, mark.value)[1]
        below = mark is inside[0] and len(inside) > 1
        base = level + (0.95 * _TEXT if below else -0.8)
        items.append(Path(((_LEFT, level), (_WIDTH - _RIGHT, level)), mark.tone, 0.3, dashed=True))
        items.append(Words(_WIDTH - _RIGHT, base, mark.name, 0.8 * _TEXT, "end", mark.tone))
    return items


def _upright(frame: _Frame, mark: Mark, row: int) -> list[Path | Words]:
    """One upright line with its name on top; in the second row where the first is taken."""
    px, bottom = frame.at(mark.value, frame.y.low)
    top = frame.at(mark.value, frame.y.high)[1]
    return [
        Path(((px, bottom), (px, top)), mark.tone, 0.3, dashed=True),
        Words(px, top - 0.8 - 1.05 * _TEXT * row, mark.name, 0.9 * _TEXT, "middle", mark.tone),
    ]
