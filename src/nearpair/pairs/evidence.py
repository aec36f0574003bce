"""Gathering what two small all-in-focus pictures of neighbouring stations say about eyes and depth."""

import re
import unicodedata
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.pairs.disparity import match_rows
from nearpair.pairs.eyes import PairEvidence
from nearpair.pairs.halfhidden import Strips, strips
from nearpair.pairs.matches import Matches, match, spread_out
from nearpair.pairs.rectify import NotRectified, Rectified, rectify
from nearpair.pixels.luma import Plane, reduced
from nearpair.pixels.moved import moved

_LUMA_CLEAR = 0.08
_INDEX_CLEAR = 0.1
_MARGIN = 0.15
_COARSE = 4
_LEAST_REACH_PX = 24.0
_COARSE_TAIL = 0.1
_FEWEST_KNOWN = 200
NO_STRIPS = Strips(0, 0)
_LEFT_WORDS = frozenset(
    {"left", "l", "links", "gauche", "izquierda", "sinistra", "esquerda", "lewo", "lefteye"}
)
_RIGHT_WORDS = frozenset(
    {"right", "r", "rechts", "droite", "derecha", "destra", "direita", "prawo", "righteye"}
)


@dataclass(frozen=True, slots=True)
class SmallView:
    """A small all-in-focus luma (h, w) and, for a stack, which of its frames is sharpest where."""

    luma: Plane
    index: Plane | None
    """(h', w') frame numbers covering the same field, negative where unknown; None for a single frame."""
    frames: int
    full_px: float = 1.0
    """Px of the frames per px of this picture."""


@dataclass(frozen=True, slots=True)
class Compared:
    """Two views laid side by side: points, rows, and the evidence read off them."""

    matches: Matches
    rows: Rectified | NotRectified
    evidence: PairEvidence


def words_of(name: str) -> set[str]:
    """The lower-case words of a folder or station name; letters with marks are letters."""
    whole = unicodedata.normalize("NFC", name)
    return set(re.findall(r"[^\W\d_]+", re.sub(r"([a-z])([A-Z])", r"\1 \2", whole).lower()))


def names_say_first(first: str, second: str) -> float:
    """1 when the names call the first left or the second right, −1 for the other way round, else 0."""
    one, two = words_of(first), words_of(second)
    says = (
        bool(one & _LEFT_WORDS)
        + bool(two & _RIGHT_WORDS)
        - bool(one & _RIGHT_WORDS)
        - bool(two & _LEFT_WORDS)
    )
    return float(np.sign(says))


def disparity_range(disparities_px: NDArray[np.float64]) -> tuple[int, int]:
    """Whole-px search range that holds the matched disparities with a margin."""
    low, high = np.percentile(disparities_px, [0.5, 99.5])
    margin = max(4.0, _MARGIN * (high - low))
    return int(np.floor(low - margin)), int(np.ceil(high + margin))


def search_range(first: Plane, laid: Plane, disparities_px: NDArray[np.float64]) -> tuple[int, int]:
    """Whole-px range for dense matching of two lumas whose rows agree.

    Matched points miss the nearest things when those are smooth or thin. So a quarter-size matching over a
    range as wide again on either side looks for them first; its extremes widen the range of the points.
    """
    low, high = np.percentile(disparities_px, [0.5, 99.5])
    reach = max(_LEAST_REACH_PX, float(high - low))
    lowest, highest = int((low - reach) // _COARSE), int((high + reach) // _COARSE) + 1
    coarse = match_rows(reduced(first, _COARSE), reduced(laid, _COARSE), lowest, highest).px
    known = coarse[np.isfinite(coarse)] * _COARSE
    # coarse disparities at the ends of the range are where bad matches gather
    known = known[(known > _COARSE * (lowest + 1)) & (known < _COARSE * (highest - 1))]
    if known.size < _FEWEST_KNOWN:
        return disparity_range(disparities_px)
    ends = np.percentile(known, [_COARSE_TAIL, 100 - _COARSE_TAIL])
    return disparity_range(
        np.concatenate([np.full(100, min(low, ends[0])), np.full(100, max(high, ends[1]))])
    )


def laid_on_rows(second: Plane, rows: Rectified) -> Plane:
    """The second luma turned, scaled and raised onto the rows of the first."""
    size = (second.shape[0], second.shape[1])
    return np.asarray(
        moved(second, rows.second_to_first.matrix(), size, cv2.INTER_CUBIC, cv2.BORDER_REPLICATE)
    )


def compare(first: SmallView, second: SmallView, names: tuple[str, str]) -> Compared:
    """Match two small views and read the evidence for the eyes off them."""
    found = match(first.luma, second.luma)
    rows = rectify(spread_out(found, _size(first)), _size(first))
    if isinstance(rows, NotRectified):
        nothing = PairEvidence(np.zeros(0), None, None, NO_STRIPS, NO_STRIPS, names_say_first(*names))
        return Compared(found, rows, nothing)
    found, evidence = _read_off(first, second, found, rows, names)
    one, two = _strips(first, second, rows, evidence.disparities_px)
    return Compared(found, rows, replace(evidence, strips_first=one, strips_second=two))


def evidence_of_points(
    first: SmallView, second: SmallView, found: Matches, rows: Rectified, names: tuple[str, str]
) -> PairEvidence:
    """Read the evidence for the eyes off matched points alone, without half-hidden strips."""
    return _read_off(first, second, found, rows, names)[1]


def _read_off(
    first: SmallView, second: SmallView, found: Matches, rows: Rectified, names: tuple[str, str]
) -> tuple[Matches, PairEvidence]:
    # a match off its row is a wrong one
    on_rows = rows.second_to_first.apply(found.second)[:, 1]
    found = found.keep(np.abs(on_rows - found.first[:, 1]) < 2.0)
    disparities = found.first[:, 0] - rows.second_to_first.apply(found.second)[:, 0]
    evidence = PairEvidence(
        disparities,
        _focus_correlation(first, found.first, disparities),
        _focus_correlation(second, found.second, disparities),
        NO_STRIPS,
        NO_STRIPS,
        names_say_first(*names),
        first.full_px,
    )
    return found, evidence


def _size(view: SmallView) -> tuple[int, int]:
    return view.luma.shape[0], view.luma.shape[1]


def _strips(
    first: SmallView, second: SmallView, rows: Rectified, disparities: NDArray[np.float64]
) -> tuple[Strips, Strips]:
    laid = laid_on_rows(second.luma, rows)
    lowest, highest = search_range(first.luma, laid, disparities)
    there = match_rows(first.luma, laid, lowest, highest)
    back = match_rows(laid, first.luma, -highest, -lowest)
    return strips(there, _features(first)), strips(back, _on_rows(_features(second), rows))


def _on_rows(features: NDArray[np.float32], rows: Rectified) -> NDArray[np.float32]:
    """The description of the second view where `laid_on_rows` puts it."""
    size, matrix = (features.shape[0], features.shape[1]), rows.second_to_first.matrix()
    return np.stack(
        [
            moved(plane, matrix, size, cv2.INTER_NEAREST, cv2.BORDER_REPLICATE)
            for plane in np.moveaxis(features, -1, 0)
        ],
        axis=-1,
    )


def _features(view: SmallView) -> NDArray[np.float32]:
    planes = [cv2.GaussianBlur(view.luma, (0, 0), 1.5) / _LUMA_CLEAR]
    if view.index is not None:
        size = view.luma.shape[::-1]
        planes.append(
            cv2.resize(view.index, size, interpolation=cv2.INTER_NEAREST) / (_INDEX_CLEAR * view.frames)
        )
    return np.stack(planes, axis=-1).astype(np.float32)


def _focus_correlation(
    view: SmallView, points: NDArray[np.float64], disparities: NDArray[np.float64]
) -> float | None:
    if view.index is None or view.frames < 3 or len(points) < 16:
        return None
    scale = np.array(view.index.shape[::-1]) / np.array(view.luma.shape[::-1])
    at = np.clip(np.floor((points + 0.5) * scale).astype(int), 0, np.array(view.index.shape[::-1]) - 1)
    index = view.index[at[:, 1], at[:, 0]]
    known = index >= 0
    if known.sum() < 16 or np.ptp(index[known]) == 0 or np.ptp(disparities[known]) == 0:
        return None
    return float(np.corrcoef(_ranks(index[known]), _ranks(disparities[known]))[0, 1])


def _ranks(values: NDArray[np.floating]) -> NDArray[np.float64]:
    """Ranks with ties averaged (Spearman)."""
    _, inverse, counts = np.unique(values, return_inverse=True, return_counts=True)
    ends = np.cumsum(counts)
    return np.asarray((ends - (counts - 1) / 2)[inverse], np.float64)
