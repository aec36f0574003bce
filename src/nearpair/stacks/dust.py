"""Dust on the sensor: dark specks that stay where they are while the frames of a stack move under them.

A frame is held against what its neighbours before and after it, laid on it, say it should show: the subject
cancels, as far as its blur changes evenly; a speck does not, for in the neighbours it lies elsewhere on the
subject. So a speck is darker than foretold in most frames, and the subject, grainy as it may be, in few.
Where the frames hardly move, around the point that breathing leaves in place, nothing can be told. A stack
alone says little: its specks count where the other station's, shot with the same sensor, has them as well.

Limits are a choice of this project, set on ray-traced shoots with planted specks (docs/measured.md).
"""

from collections.abc import Sequence
from functools import partial
from typing import NamedTuple

import cv2
import numpy as np

from nearpair.geometry.transforms import Similarity
from nearpair.pixels.bands import at_once
from nearpair.pixels.luma import Plane

FEWEST_KEYFRAMES = 12
_APART_OF_STACK = 7
"""Neighbours are a seventh of the stack away: nearer ones have the speck in almost the same place."""
_DARKER = 0.03
"""By how much (natural logarithm of light, at half the small size) a place must be darker than foretold."""
_IN_FRAMES = 0.75
_SPECK_PX, _AROUND_PX, _BESIDE_PX = 0.7, 2.5, 3
_BLACK = 0.002
_BORDER = 0.02
_MOST = 400


_CUTS = (0.75, 0.8, 0.85, 0.9, 0.95)
_BY_CHANCE = 0.02
_PLACES = 9
_SAME_PX, _AROUND_ONE_PX, _FEW = 2.5, 30, 3


class Speck(NamedTuple):
    """A dark speck: its place in px of the small pictures, and the share of the frames that show it."""

    x_px: float
    y_px: float
    share: float


def specks(keyframes: Sequence[tuple[int, Plane]], to_first: Sequence[Similarity]) -> tuple[Speck, ...]:
    """What may be dust in keyframes (number, half-size linear light), from the surest on.

    to_first: maps small px of frame i to frame 0. Nothing of a stack too short to tell.
    """
    if len(keyframes) < FEWEST_KEYFRAMES:
        return ()
    lights = [np.log(np.maximum(plane, np.float32(_BLACK))) for _, plane in keyframes]
    places = [to_first[number] for number, _ in keyframes]
    darker = [np.zeros(lights[0].shape, np.bool_) for _ in lights]

    def look_at(n: int) -> None:
        np.greater(_spots(_residual(n, lights, places)), _DARKER, out=darker[n])

    at_once([partial(look_at, n) for n in range(len(lights))])
    share = np.asarray(np.sum(darker, axis=0, dtype=np.float32) / np.float32(len(lights)), np.float32)
    border = max(2, round(_BORDER * share.shape[1]))
    inner = np.zeros_like(share)
    inner[border:-border, border:-border] = share[border:-border, border:-border]
    return _peaks(inner)


def _peaks(share: Plane) -> tuple[Speck, ...]:
    """The places of highest share, one for each patch of equal ones, the surest first."""
    peak = (share >= _IN_FRAMES) & (share >= cv2.dilate(share, np.ones((3, 3), np.uint8)))
    count, labels, _, centres = cv2.connectedComponentsWithStats(peak.astype(np.uint8))
    of = np.zeros(count, np.float32)
    np.maximum.at(of, labels[peak].astype(np.intp), share[peak])
    each = zip(centres[1:_MOST].tolist(), of[1:_MOST].tolist(), strict=True)
    found = [Speck(2 * x + 0.5, 2 * y + 0.5, s) for (x, y), s in each]
    return tuple(sorted(found, key=lambda speck: -speck.share))


def _spots(residual: Plane) -> Plane:
    """By how much each place (h, w) is darker than what lies around it, in the direction where it is least.

    Edges that stay in place, as of a mask in the light path, are no spots: along them nothing changes.
    """
    fine = np.asarray(cv2.GaussianBlur(residual, (0, 0), _SPECK_PX), np.float32)
    least = np.asarray(cv2.GaussianBlur(residual, (0, 0), _AROUND_PX), np.float32) - fine
    for x, y in ((1, 0), (1, 1), (0, 1), (-1, 1)):
        across = np.roll(fine, (y * _BESIDE_PX, x * _BESIDE_PX), (0, 1))
        across += np.roll(fine, (-y * _BESIDE_PX, -x * _BESIDE_PX), (0, 1))
        np.minimum(least, across / 2 - fine, out=least)
    return least


def in_both(
    one: Sequence[Speck], other: Sequence[Speck], size: tuple[int, int], other_size: tuple[int, int]
) -> tuple[Speck, ...]:
    """The specks of one station that the other one has in the same place, so that they lie on the sensor.

    Grain makes single stacks tell specks that are none, at random places. So the share of the frames that
    must show a speck is raised until fewer than one pair of these in fifty shoots would meet by chance.
    sizes: (height, width) of the small pictures; of cameras that see differently, nothing is told.
    """
    if size != other_size:
        return ()
    for cut in _CUTS:
        left, right = ([speck for speck in found if speck.share >= cut] for found in (one, other))
        met = [speck for speck in left if any(_apart_px(speck, there) <= _SAME_PX for there in right)]
        places = size[0] * size[1] / 4
        alone = (len(left) - len(met)) * max(0, len(right) - len(met))
        if alone * _PLACES / places <= _BY_CHANCE:
            return tuple(speck for speck in met if _single(speck, one) and _single(speck, other))
    return ()


def _single(speck: Speck, among: Sequence[Speck]) -> bool:
    """Whether it stands alone, and is no piece of a line or a pattern that stays in place."""
    return sum(_SAME_PX < _apart_px(speck, other) <= _AROUND_ONE_PX for other in among) < _FEW


def _apart_px(one: Speck, other: Speck) -> float:
    return max(abs(one.x_px - other.x_px), abs(one.y_px - other.y_px))


def _residual(n: int, lights: Sequence[Plane], places: Sequence[Similarity]) -> Plane:
    """Keyframe number n over what its neighbours foretell, all as logarithms of their light, (h, w)."""
    apart = max(1, round(len(lights) / _APART_OF_STACK))
    from_first = places[n].inverse()
    foretold = [
        cv2.warpAffine(
            lights[other],
            places[other].then(from_first).resampled(0.5).matrix(),
            lights[n].shape[::-1],
            flags=cv2.INTER_CUBIC,
            borderMode=cv2.BORDER_REFLECT_101,
        )
        for other in (n - apart, n + apart)
        if 0 <= other < len(lights)
    ]
    return np.asarray(lights[n] - sum(foretold) / len(foretold), np.float32)
