"""Anaglyphs in full colour whose saturated colours are made paler where both eyes could not agree on them.

Every colour is moved towards its own grey (Y, Rec. ITU-R BT.709-6) by the least share t in 0..1 with which
the eye that sees it darker sees half of the brightness that the other eye sees:

    lo + t·(Y - lo) = 0.5 · (hi + t·(Y - hi)),

lo and hi being its brightness through the two filters, taken as ideal, in linear light, white 1. The limit up
to which depth is known to be kept is 0.40 (Boydstun et al., from their abstract); 0.5 leaves some room. All
else stays as it is. Every pixel is worked on by itself, so that there are no halos.
"""

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearpair.colour.glasses import Glasses
from nearpair.colour.light import LUMINANCE_WEIGHTS

Light = NDArray[np.float32]

LEAST_RATIO = 0.5


def paler(light: Light, glasses: Glasses) -> Light:
    """Colours (..., 3) in linear light that both eyes see about equally bright; greys stay as they are."""
    weights = np.array(LUMINANCE_WEIGHTS, np.float32)
    grey = light @ weights
    eyes = [
        light[..., list(channels)] @ (weights[list(channels)] / weights[list(channels)].sum())
        for channels in (glasses.left_channels, glasses.right_channels)
    ]
    low, high = np.minimum(*eyes), np.maximum(*eyes)
    short = LEAST_RATIO * high - low
    gained = (grey - low) - LEAST_RATIO * (grey - high)
    share = np.where(short > 0, short / np.maximum(gained, 1e-6), 0).clip(0, 1)[..., None]
    return np.asarray(light + share * (grey[..., None] - light), np.float32)


def local_desaturation(glasses: Glasses, left: Any, right: Any) -> Callable[[Light, Light], Light]:  # noqa: ARG001
    """Mix for strips of linear light, (H, W, 3) each: each eye's channels from its own, paler picture."""

    def mixed(left_light: Light, right_light: Light) -> Light:
        out = np.zeros_like(left_light)
        for view, channels in ((left_light, glasses.left_channels), (right_light, glasses.right_channels)):
            out[..., list(channels)] = paler(view, glasses)[..., list(channels)]
        return out

    return mixed
