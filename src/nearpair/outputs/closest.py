"""Anaglyphs by closest colour: what is seen through the glasses comes as near to the pair as it can.

**cielab.** For every pixel the colour whose appearance before each eye is closest to that eye's own picture:
the sum of both squared differences in CIE 1976 L*a*b* (D. McAllister, Y. Zhou and S. Sullivan, "Methods for
computing color anaglyphs", 2010, from its abstract). Eyes are taken to be adapted to their filters, so that
every grey stays that grey (our own choice).

**matched.** Our own, in two steps.

1. A table of colours. For a colour c that both eyes should see at a point, the colour p that minimises

       (difference of the fused colour from c in L*a*b*)² + w · (L* before one eye - L* before the other)².

   The second term is rivalry. w is chosen for each picture: the smallest from 4 on with which the picture's
   rivalry is less than with half-colour mixing. Colours that need no compromise are hardly changed; a
   saturated red becomes an orange that both eyes can see. One w for a whole picture is best: for a sum of
   squares over points with a bound on one of its parts, the best multiplier is the same everywhere (Lagrange;
   that a w for each part of a picture is worse was measured as well, docs/measured.md).
2. Leaks, at every point anew. The table says which colours l and r the point should have for either eye. Each
   eye's channels come from its own colour, and through its filter leaks the other one. The colour p shown
   minimises, for both eyes together,

       (difference that light astray makes to the fused colour, L*a*b*)² + 3 · (to the eye's own L*)²,

   so that a leak is taken back as far as that costs less colour than the ghost is worth, and where there is
   light to take away. 3: of 2, 3, 4, 6 and 10 the best on scenes and real pairs, where little depends on it.
   L* that the eye lacks counts three times as much as L* that it gets besides, so that highlights beside
   another eye's black keep their light.

Neither mixes pixels, so there are no halos; the table is smooth, so there are no blotches.
"""

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearpair.colour import seen
from nearpair.colour.closest_kernels import LIGHTNESS, closest, unghosted
from nearpair.colour.glasses import Glasses
from nearpair.colour.light import LUMINANCE_WEIGHTS, decode_srgb
from nearpair.colour.projection import FilteredDisplay, least_squares_projection
from nearpair.errors import NearpairError

Picture = NDArray[Any]
Light = NDArray[np.float32]
Mix = Callable[[Light, Light], Light]

RIVALRY_WEIGHTS = (4.0, 8.0, 16.0, 32.0, 64.0, 128.0, 256.0)
GHOST_WEIGHT = 3.0
_STEPS = 16
_HALVINGS = 4
_MARGIN = 0.94  # what both views do not share, and leaks, come on top
_NODES = 33
_SAMPLES_A_SIDE = 128


def cielab(glasses: Glasses, left: Picture, right: Picture) -> Mix:  # noqa: ARG001 - as all methods
    """Mix for strips of linear light, (H, W, 3) each."""
    comparison = seen.per_eye(_display(glasses, "cielab"))

    def mixed(left_light: Light, right_light: Light) -> Light:
        both = np.concatenate([left_light, right_light], axis=-1).reshape(-1, 6)
        return _closest(glasses, comparison, both).reshape(left_light.shape)

    return mixed


def matched(glasses: Glasses, left: Picture, right: Picture) -> Mix:
    """Mix for strips of linear light, (H, W, 3) each; the pictures decide how much rivalry counts."""
    display = _display(glasses, "matched")
    weight = rivalry_weight(glasses, np.concatenate([_sample(left), _sample(right)]))
    table = _table(glasses, weight)
    light = seen.light_of_each_eye(display)
    owner = np.full(3, 2, np.int64)
    owner[list(glasses.left_channels)] = 0
    owner[list(glasses.right_channels)] = 1

    def mixed(left_light: Light, right_light: Light) -> Light:
        out = np.empty((left_light.size // 3, 3), np.float32)
        points = left_light.reshape(-1, 3), right_light.reshape(-1, 3)
        unghosted(*points, table, light, owner, GHOST_WEIGHT, LIGHTNESS, out)
        return out.reshape(left_light.shape)

    return mixed


def rivalry_weight(glasses: Glasses, colours: Light) -> float:
    """Weight of rivalry for a picture with these colours (n, 3), linear light: see the module's text."""
    display = _display(glasses, "matched")
    both = np.hstack([colours, colours])
    allowed = _MARGIN * _rivalry(display, _half_colour(glasses, colours))

    def enough(weight: float) -> bool:
        return _rivalry(display, _closest(glasses, seen.matched(display, weight), both)) <= allowed

    most = next((weight for weight in RIVALRY_WEIGHTS if enough(weight)), RIVALRY_WEIGHTS[-1])
    if most == RIVALRY_WEIGHTS[0]:
        return most
    least = most / 2
    for _ in range(_HALVINGS):
        between = math.sqrt(least * most)
        least, most = (least, between) if enough(between) else (between, most)
    return most


def _rivalry(display: FilteredDisplay, shown: Light) -> float:
    """Root mean square difference of L* between the eyes, for colours shown (n, 3)."""
    left, right = (seen.lightness(shown @ eye) for eye in seen.brightness(display))
    return float(np.sqrt(np.mean((left - right) ** 2)))


def _half_colour(glasses: Glasses, colours: Light) -> Light:
    """The half-colour mixture of equal views (n, 3): the narrower filter's channels show luminance."""
    shown = np.zeros_like(colours)
    left_narrower = len(glasses.left_channels) <= len(glasses.right_channels)
    for channels, grey in (
        (glasses.left_channels, left_narrower),
        (glasses.right_channels, not left_narrower),
    ):
        for channel in channels:
            shown[:, channel] = (
                colours @ np.array(LUMINANCE_WEIGHTS, np.float32) if grey else colours[:, channel]
            )
    return shown


def _sample(picture: Picture) -> Light:
    """Colours (n, 3) of an even grid of pixels, linear light."""
    rows, columns = (max(1, -(-side // _SAMPLES_A_SIDE)) for side in picture.shape[:2])
    return decode_srgb(np.ascontiguousarray(picture[rows // 2 :: rows, columns // 2 :: columns])).reshape(
        -1, 3
    )


def _table(glasses: Glasses, weight: float) -> Light:
    """Roots of the colours shown for a grid of roots of colours wanted, (33, 33, 33, 3)."""
    roots = np.linspace(0, 1, _NODES, dtype=np.float32)
    grid = np.stack(np.meshgrid(roots, roots, roots, indexing="ij"), axis=-1).reshape(-1, 3)
    both = np.hstack([grid**2, grid**2])
    shown = _closest(glasses, seen.matched(_display(glasses, "matched"), weight), both)
    return np.sqrt(shown).reshape(_NODES, _NODES, _NODES, 3)


def _closest(glasses: Glasses, comparison: seen.Comparison, both: Light) -> Light:
    """The closest colours (n, 3) for points (n, 6) of both views, all in linear light."""
    matrix = glasses.least_squares
    if matrix is None:
        matrix = least_squares_projection(_display(glasses, "this"), glasses.channels)
    top = np.zeros(3)
    top[list(glasses.channels)] = 1.0
    start = np.asarray(both @ matrix.T, dtype=np.float32)
    out = np.empty((len(both), 3), np.float32)
    closest(both, start, comparison.shown, comparison.wanted, comparison.weights, top, LIGHTNESS, _STEPS, out)
    return out


def _display(glasses: Glasses, method: str) -> FilteredDisplay:
    if glasses.display is None:
        raise NearpairError(
            f"method {method} must know what passes the filters of {glasses.name} glasses.",
            "Choose colour, half-colour or grey for these glasses.",
        )
    return glasses.display
