"""One check for everything that takes a mounted pair: two RGB pictures of the same size and depth."""

from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearpair.errors import PairError


def check_pair(left: NDArray[Any], right: NDArray[Any]) -> None:
    """Raise PairError unless both are (H, W, 3), uint8 or uint16, of the same shape and type."""
    for side, picture in (("left", left), ("right", right)):
        if picture.ndim != 3 or picture.shape[2] != 3 or 0 in picture.shape:
            raise PairError(
                f"{side} must be an RGB picture of shape (height, width, 3), found shape {picture.shape}.",
                "Give the mounted left and right pictures.",
            )
        if picture.dtype not in (np.dtype(np.uint8), np.dtype(np.uint16)):
            raise PairError(
                f"{side} must hold 8 or 16 bits a channel, found {picture.dtype}.",
                "Convert it to uint8 or uint16 first.",
            )
    if left.shape != right.shape or left.dtype != right.dtype:
        raise PairError(
            f"left and right must be alike, found {left.shape} {left.dtype} and {right.shape} {right.dtype}.",
            "Mount the pair first: mounting gives both pictures the same size.",
        )
