"""What each eye sees through coloured glasses, as signals between black and white, and how far off that is.

Eyes adapt to their filters: every signal is a share of what white gives. With A_L, A_R the XYZ of the
display's primaries through both filters (`colour.projection.FilteredDisplay`) and p the colour shown:

- brightness of an eye: row Y of A·p over row Y of A·white, light that leaks included;
- the eye's own colour: X, Y, Z of A·p over those of A·white, where a filter that takes nearly all of X or Z
  leaves no colour to be told: the signal is mixed with Y by 2 % of the bare white (our own rule);
- the fused colour: X, Y, Z of (A_L + A_R)·p over those of white: light of both eyes adds up (common
  practice, no source).

Differences are those of CIE 1976 L*a*b* (CIE 15), worked out on these shares of white.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from nearpair.colour.projection import FilteredDisplay

Signals = NDArray[np.float64]

_LEAST_COLOUR = 0.02
_TO_LAB = np.array([[0.0, 116.0, 0.0], [500.0, -500.0, 0.0], [0.0, 200.0, -200.0]])


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """What is compared for one method: `shown` (m, 3) of the anaglyph, `wanted` (m, 6) of the two views.

    `weights` (m, m) turns differences of f (CIE 15) of both into one sum of squares.
    """

    shown: Signals
    wanted: Signals
    weights: Signals


def share_of_white(rows: Signals) -> Signals:
    """Signals (m, 3), scaled so that white (1, 1, 1) gives 1 in each."""
    return np.asarray(rows / rows.sum(axis=1, keepdims=True), dtype=np.float64)


def brightness(display: FilteredDisplay) -> tuple[Signals, Signals]:
    """Shares of each eye's brightness that R, G and B give, leaks included: (3,) left, (3,) right."""
    left, right = (share_of_white(eye[1:2])[0] for eye in (display.left, display.right))
    return left, right


def fused(display: FilteredDisplay) -> Signals:
    """X, Y, Z of both eyes together as shares of white, (3, 3)."""
    return share_of_white(display.left + display.right)


def light_of_each_eye(display: FilteredDisplay) -> Signals:
    """What R, G and B give through each filter, (2, 4, 3): for each eye shares of X, Y, Z and of brightness.

    X, Y, Z are shares of the fused white, so that both eyes together make `fused`; left eye first.
    """
    white = (display.left + display.right).sum(axis=1, keepdims=True)
    eyes = zip((display.left, display.right), brightness(display), strict=True)
    return np.stack([np.vstack([through / white, own]) for through, own in eyes])


def of_one_eye(through: Signals, bare: Signals) -> Signals:
    """X, Y, Z of one eye as shares of white, (3, 3), by the rule for filters that leave no colour."""
    least = _LEAST_COLOUR * bare[1].sum()
    return share_of_white(through + least * share_of_white(through[1:2]))


def per_eye(display: FilteredDisplay) -> Comparison:
    """Each eye's colour against its own view's: the sum of both squared differences in L*a*b*."""
    bare = share_of_white(display.bare)
    wanted = np.zeros((6, 6))
    wanted[:3, :3] = wanted[3:, 3:] = bare
    shown = np.vstack([of_one_eye(display.left, display.bare), of_one_eye(display.right, display.bare)])
    weights = np.zeros((6, 6))
    weights[:3, :3] = weights[3:, 3:] = _TO_LAB.T @ _TO_LAB
    return Comparison(shown, wanted, weights)


def matched(display: FilteredDisplay, rivalry_weight: float) -> Comparison:
    """The fused colour against the mean of the views, and what one eye sees brighter than the other.

    Squared difference of the fused colour in L*a*b* plus `rivalry_weight` times the squared difference of the
    eyes' lightness, less the one that the views themselves have.
    """
    bare = share_of_white(display.bare)
    left, right = brightness(display)
    none = np.zeros(3)
    shown = np.vstack([fused(display), left, right])
    halves = np.hstack([bare, bare]) / 2
    wanted = np.vstack([halves, np.hstack([bare[1], none]), np.hstack([none, bare[1]])])
    weights = np.zeros((5, 5))
    weights[:3, :3] = _TO_LAB.T @ _TO_LAB
    weights[3:, 3:] = rivalry_weight * 116.0**2 * np.array([[1.0, -1.0], [-1.0, 1.0]])
    return Comparison(shown, wanted, weights)


def lab(shares: NDArray[np.floating]) -> NDArray[np.float64]:
    """L*, a*, b* (..., 3) of X, Y, Z as shares of white (..., 3). Source: CIE 15, CIE 1976 L*a*b*."""
    return np.asarray(lab_root(shares) @ _TO_LAB.T - np.array([16.0, 0.0, 0.0]), dtype=np.float64)


def lab_root(shares: NDArray[np.floating]) -> NDArray[np.float64]:
    """The function f of CIE 1976 L*a*b*, any shape: a cube root, straight below (6/29)³. Source: CIE 15."""
    share = np.asarray(shares, dtype=np.float64)
    root = np.where(share > (6 / 29) ** 3, np.cbrt(share), share * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.asarray(root, dtype=np.float64)


def lightness(share: NDArray[np.floating]) -> NDArray[np.float64]:
    """L* (...) of shares (...) of white. Source: CIE 15, CIE 1976 L*a*b*."""
    return 116.0 * lab_root(share) - 16.0
