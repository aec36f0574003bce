"""The scale bar of a proof: a round length in the plane of the stereo window, drawn into its pictures.

It stands at the same place in both views, so without parallax: in the window, the plane that it holds for.
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.optics.metric import bar_mm
from nearpair.proof.model import Proof

_MARGIN = 0.03  # of the width
_EDGE = (0, 0, 0)
_INK = (255, 255, 255)


@dataclass(frozen=True, slots=True)
class ScaleBar:
    """A length in mm, and the share of the picture's width that it takes up in the window's plane."""

    length_mm: float
    share: float

    @property
    def label(self) -> str:
        """Its length for people: "5 mm"."""
        return f"{self.length_mm:g} mm"


def scale_bar(proof: Proof) -> ScaleBar | None:
    """Choose the bar; None where the size of a pixel is not known."""
    if proof.metric is None or proof.metric.window_mm_per_px is None:
        return None
    length_mm = bar_mm(proof.metric.window_mm_per_px, proof.picture.width_px)
    return ScaleBar(length_mm, length_mm / proof.metric.window_mm_per_px / proof.picture.width_px)


def drawn(picture: NDArray[np.uint8], bar: ScaleBar) -> NDArray[np.uint8]:
    """Draw the bar at the bottom left of an (H, W, 3) picture, white with a black edge; gives a copy."""
    out: Any = picture.copy()
    height, width = out.shape[:2]
    thick = max(2, round(width / 250))
    left, bottom = round(_MARGIN * width), height - 1 - round(_MARGIN * width)
    right = left + max(1, round(bar.share * width)) - 1
    cv2.rectangle(out, (left - 1, bottom - thick), (right + 1, bottom + 1), _EDGE, cv2.FILLED)
    cv2.rectangle(out, (left, bottom - thick + 1), (right, bottom), _INK, cv2.FILLED)
    size, at = width / 1100, (left, bottom - 2 * thick - 2)
    for colour, weight in ((_EDGE, thick + 2), (_INK, max(1, thick // 3))):
        cv2.putText(out, bar.label, at, cv2.FONT_HERSHEY_SIMPLEX, size, colour, weight, cv2.LINE_AA)
    return np.asarray(out, np.uint8)
