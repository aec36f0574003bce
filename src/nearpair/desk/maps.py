"""Depth and focus in colours for the page, and the legends that say what the colours mean."""

from typing import Any

import cv2
import numpy as np

from nearpair.proof.model import Proof
from nearpair.proof.pictures import depth_picture, legend
from nearpair.shoot.decisions import Decisions
from nearpair.shoot.mounting import Mounted
from nearpair.shoot.preview import Bytes
from nearpair.shoot.showing import Shown
from nearpair.shoot.showing_focus import FocusShown

_STOPS = 9
_GROUND = (96, 96, 96)


def depth_piece(pair: Shown, level: int, start: tuple[int, int], size: tuple[int, int]) -> Bytes:
    """The depth map in colours, (rows, columns) from px (x, y) of a level on; grey outside the crop."""
    x, y = pair.mounting.crop_px[:2]
    near = -1.0 if pair.near_px is None else pair.near_px
    far = 1.0 if pair.far_px is None else pair.far_px
    coloured = depth_picture(pair.parallax, near, far)
    cell, scale = pair.parallax_factor, 2**level
    to_map = np.array(
        [[scale / cell, 0, (start[0] * scale - x) / cell], [0, scale / cell, (start[1] * scale - y) / cell]]
    )
    flags = cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
    found: Any = cv2.warpAffine(
        coloured, to_map, size[::-1], flags=flags, borderMode=cv2.BORDER_CONSTANT, borderValue=_GROUND
    )
    return np.asarray(found, np.uint8)


def focus_piece(
    focus: FocusShown, frames: int, order: str, level: int, start: tuple[int, int], size: tuple[int, int]
) -> Bytes:
    """The focus map in colours, as `depth_piece`: the near end of the stack is light."""
    step = 2.0**level
    found = focus.piece(((start[0] + 0.5) * step - 0.5, (start[1] + 0.5) * step - 0.5), step, size)
    sign, near, far = _ends(frames, order)
    return depth_picture(sign * found, near, far)


def _ends(frames: int, order: str) -> tuple[int, float, float]:
    """Sign, near and far value with which frame numbers are coloured as depth is."""
    last = float(max(frames - 1, 1))
    return (1, 0.0, last) if order == "near-to-far" else (-1, -last, 0.0)


def legends(pair: Shown, mounted: Mounted, decisions: Decisions, proof: Proof | None) -> dict[str, Any]:
    """What the colours of both maps mean: stops of [value, colour] from far to near, and lengths in mm.

    Of the focus map the values are frames from 0; `step_mm` from frame to frame is None where not known.
    """
    near = -1.0 if pair.near_px is None else pair.near_px
    far = 1.0 if pair.far_px is None else pair.far_px
    metric = None if proof is None else proof.metric
    step = None if metric is None or metric.step is None else metric.step.used_mm
    sign, first, last = _ends(len(mounted.left_frames), mounted.left_order)
    return {
        "depth": {
            "stops": legend(near, far, _STOPS),
            "near_mm": None if metric is None else metric.near_mm,
            "far_mm": None if metric is None else metric.far_mm,
        },
        "focus": {
            "stops": [(sign * value, colour) for value, colour in legend(first, last, _STOPS)],
            "station": mounted.stations[0],
            "frames": mounted.left_frames,
            "order": mounted.left_order,
            "step_mm": step if step is not None else decisions.capture.step_mm,
        },
    }
