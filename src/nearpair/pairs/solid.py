"""Thin near things that hide what lies behind them: stems, needles and wires over grainy ground.

A frame focused behind such a thing sees the ground through its blur, and the ground's grain is stronger than
the thing's own detail. Coming from the nearest frame, the thing is the first peak of sharpness, with frames
before a stronger peak behind it in which nothing is sharp. Alone that says little: rims of blurred highlights
and reflections peak in front of things, too. So both eyes must see the same at that peak: sideways changes of
light move with the parallax of that plane, and hardly a pixel differs there. What is narrow in the frame of
the peak ends where the thing ends (top-hat transform: Serra, Image Analysis and Mathematical Morphology,
1982; from memory), for sharpness and likeness reach beyond its edges.
"""

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.pixels.luma import Plane

Frame = NDArray[np.uint8]
Counts = NDArray[np.int16]

REACH_PX = 8
"""Rows above and below that the measures of a place look at, at most."""

# what is narrower than a disc of 7 px
_NARROW = np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (7, 7)), np.uint8)
_LIKENESS_PX = 5
# squared change of luma a px, 8-bit units, below which changes are taken for noise
_NOISE = 1.0
# of the connected places of one thing so many, and such a share of them, must leave no doubt
_FEWEST_SURE, _LEAST_SURE = 5, 0.05


def alike(frame: Plane, there: Plane) -> Plane:
    """How alike sideways changes of two lumas (h, w) are around each place: 1 for the same, 0 for unrelated.

    Only sideways ones tell parallax.
    """
    one, two = (np.asarray(cv2.Sobel(plane, cv2.CV_32F, 1, 0, scale=1 / 8)) for plane in (frame, there))
    window = (_LIKENESS_PX, _LIKENESS_PX)
    both, first, second = (
        np.asarray(cv2.blur(product, window)) for product in (one * two, one * one, two * two)
    )
    return np.asarray(both / (np.maximum(first, second) + np.float32(_NOISE)), np.float32)


def narrow(frame: Frame) -> Frame:
    """By how much what is narrow stands out from what is beside it, brighter or darker."""
    brighter, darker = (
        np.asarray(cv2.morphologyEx(frame, how, _NARROW), np.uint8)
        for how in (cv2.MORPH_TOPHAT, cv2.MORPH_BLACKHAT)
    )
    return np.maximum(brighter, darker)


def of_things(hidden: Counts, sure: NDArray[np.uint8]) -> Counts:
    """Of the places (h, w) where frames are `hidden`, those connected with enough that are `sure`."""
    count, thing = cv2.connectedComponents((hidden > 0).astype(np.uint8), connectivity=8)
    places = np.bincount(thing.ravel(), minlength=count)
    beyond_doubt = np.bincount(thing[sure > 0], minlength=count)
    kept = (beyond_doubt >= _FEWEST_SURE) & (beyond_doubt >= _LEAST_SURE * places)
    return np.where(kept[thing], hidden, np.int16(0))
