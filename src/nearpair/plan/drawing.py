"""A drawing as a list of shapes, in units of its own, for whatever shows it: SVG here, PDF in the sheet."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal
from xml.sax.saxutils import escape, quoteattr

Anchor = Literal["start", "middle", "end"]
Tone = Literal["ink", "soft", "accent", "warn"]

TONES: dict[Tone, str] = {"ink": "#1c1c1c", "soft": "#767676", "accent": "#0b5c8a", "warn": "#a33a00"}


@dataclass(frozen=True, slots=True)
class Path:
    """Straight strokes through points (x, y); `filled` closes and tints them."""

    points: tuple[tuple[float, float], ...]
    tone: Tone = "ink"
    width: float = 0.4
    dashed: bool = False
    filled: bool = False


@dataclass(frozen=True, slots=True)
class Words:
    """One line of text; (x, y) is the base line at its anchor."""

    x: float
    y: float
    text: str
    size: float
    anchor: Anchor = "start"
    tone: Tone = "ink"


@dataclass(frozen=True, slots=True)
class Drawing:
    """Shapes on a sheet of this size, y down; `title` describes it for those who cannot see it."""

    width: float
    height: float
    title: str
    items: Sequence[Path | Words]


def svg(drawing: Drawing) -> str:
    """Return the drawing as an SVG element (SVG 1.1) that fills the width it is given."""
    size = f"0 0 {_n(drawing.width)} {_n(drawing.height)}"
    body = "".join(_element(item) for item in drawing.items)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{size}" role="img" '
        f"aria-label={quoteattr(drawing.title)}>{body}</svg>"
    )


def _element(item: Path | Words) -> str:
    colour = TONES[item.tone]
    if isinstance(item, Words):
        return (
            f'<text x="{_n(item.x)}" y="{_n(item.y)}" font-size="{_n(item.size)}" '
            f'text-anchor="{item.anchor}" fill="{colour}">{escape(item.text)}</text>'
        )
    points = " ".join(f"{_n(x)},{_n(y)}" for x, y in item.points)
    dash = f' stroke-dasharray="{_n(4 * item.width)} {_n(3 * item.width)}"' if item.dashed else ""
    fill = f'fill="{colour}" fill-opacity="0.15"' if item.filled else 'fill="none"'
    name = "polygon" if item.filled else "polyline"
    return f'<{name} points="{points}" {fill} stroke="{colour}" stroke-width="{_n(item.width)}"{dash}/>'


def _n(value: float) -> str:
    return f"{value:.6g}" if abs(value) >= 1e-6 else "0"
