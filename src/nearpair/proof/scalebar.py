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
_PLATE = (0, 0, 0)
_INK = (255, 255, 255)
_FONT = cv2.FONT_HERSHEY_SIMPLEX


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
    """Draw the bar at the bottom left of an (H, W, 3) picture, white on a black plate; gives a copy."""
    out: Any = picture.copy()
    height, width = out.shape[:2]
    thick, size = max(2, round(width / 200)), width / 900
    (text_width, text_height), _ = cv2.getTextSize(bar.label, _FONT, size, max(1, thick // 2))
    left, bottom = round(_MARGIN * width), height - 1 - round(_MARGIN * width)
    right = left + max(1, round(bar.share * width)) - 1
    top = bottom - 2 * thick - text_height
    plate = (left - thick, top - thick), (max(right, left + text_width) + thick, bottom + thick)
    cv2.rectangle(out, *plate, _PLATE, cv2.FILLED)
    cv2.rectangle(out, (left, bottom - thick + 1), (right, bottom), _INK, cv2.FILLED)
    at = (left, bottom - 2 * thick)
    cv2.putText(out, bar.label, at, _FONT, size, _INK, max(1, thick // 2), cv2.LINE_AA)
    return np.asarray(out, np.uint8)
