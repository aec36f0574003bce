"""OpenCV's semi-global matcher, with the penalties that its documentation gives and all eight directions."""

from typing import Any

import cv2

BLOCK_PX = 5


def usual_matcher(lowest: int, highest: int) -> tuple[Any, int]:
    """For disparities lowest..highest (px, inclusive): it, and how many it searches (a multiple of 16)."""
    count = -(-(highest - lowest + 1) // 16) * 16
    made = cv2.StereoSGBM.create(
        lowest,
        count,
        BLOCK_PX,
        P1=8 * BLOCK_PX**2,
        P2=32 * BLOCK_PX**2,
        disp12MaxDiff=1,
        uniquenessRatio=10,
        speckleWindowSize=100,
        speckleRange=2,
        mode=cv2.STEREO_SGBM_MODE_HH,
    )
    return made, count
