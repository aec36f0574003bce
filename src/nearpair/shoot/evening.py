"""The light of the two views of a pair: how it differs as shot, and the views evened if that was decided."""

from collections.abc import Sequence
from functools import lru_cache
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from nearpair.colour.balance import Balance, balance_by_parts
from nearpair.colour.evening import UNCHANGED, evening_tables, gains, through_tables
from nearpair.colour.match import block_light, grid
from nearpair.frames.profiles import linear_light, to_srgb_codes
from nearpair.pixels.luma import Plane
from nearpair.proof.model import ViewsLight

Asked = Literal["auto", "even", "as-shot"]
Gains = tuple[float, float, float]

_BLOCKS, _LONGEST_PX = 500, 2000
"""Along the longer side: blocks that are compared, and px that are looked at, at least."""

_OTHER_PROFILES = "left as shot: the frames of the two eyes have different colour profiles"
_TOO_FEW = "left as shot: too few places of both views could be compared"


def light_of(
    pair: tuple[NDArray[Any], NDArray[Any]], parallax: Plane, profiles: Sequence[bytes | None], asked: Asked
) -> ViewsLight:
    """How the light of a mounted pair (H, W, 3) as shot differs, and what is to be done about it.

    parallax: (H, W), px. profiles: colour profiles of both, in which channels are compared and changed.
    """
    if profiles[0] != profiles[1]:
        return ViewsLight(note=_OTHER_PROFILES)
    step = max(1, max(parallax.shape) // _LONGEST_PX)
    on = grid(parallax[::step, ::step] / np.float32(step), _BLOCKS)
    table = _decoded(profiles[0], pair[0].dtype)
    left, right = (block_light(picture[::step, ::step], on, table.take) for picture in pair)
    found = balance_by_parts(left, right, on)
    if found is None:
        return ViewsLight(note=_TOO_FEW)
    evens, note = _decided(found, asked)
    left_gains, right_gains = gains(found.factors) if evens else (UNCHANGED, UNCHANGED)
    return ViewsLight(
        stops=found.stops,
        white_balance_shift=found.shift,
        agreeing_share=found.agreeing_share,
        evened=left_gains != UNCHANGED,
        left_gains=left_gains,
        right_gains=right_gains,
        note=note,
    )


def _decided(found: Balance, asked: Asked) -> tuple[bool, str]:
    """Whether to even, and why."""
    if asked == "as-shot":
        return False, "left as shot, as was decided"
    if asked == "even":
        return True, "evened, as was decided"
    if not found.noted:
        return False, "left as shot: the views hardly differ"
    share = 100 * (found.agreeing_share or 0.0)
    if not found.sure:
        return False, (
            f"left as shot: only {share:.0f} % of the parts of the picture show the same difference, so that "
            "it may be the subject's own"
        )
    return True, f"evened: {share:.0f} % of the parts of the picture show the same difference"


def evened(picture: NDArray[Any], profile: bytes | None, factors: Gains) -> NDArray[Any]:
    """A picture (H, W, 3) of codes with this colour profile, its linear light multiplied by these gains."""
    if factors == UNCHANGED:
        return picture
    return through_tables(picture, evening_tables(factors, _decoded(profile, picture.dtype)))


def seen_evened(picture: NDArray[Any], profile: bytes | None, factors: Gains) -> NDArray[np.uint8]:
    """The same in sRGB, 8 bit, as screens show it."""
    return to_srgb_codes(evened(picture, profile, factors), profile)


def evened_both(
    pictures: Sequence[NDArray[Any]], profiles: Sequence[bytes | None], light: ViewsLight
) -> list[NDArray[Any]]:
    """The pictures of the left and of the right eye as mounting evens them."""
    return [
        evened(picture, profile, factors)
        for picture, profile, factors in zip(pictures, profiles, gains_of(light), strict=True)
    ]


def gains_of(light: ViewsLight | None) -> tuple[Gains, Gains]:
    """What the linear light of the left and of the right view was multiplied by."""
    return (UNCHANGED, UNCHANGED) if light is None else (light.left_gains, light.right_gains)


@lru_cache(maxsize=4)
def _decoded(profile: bytes | None, dtype: np.dtype[Any]) -> NDArray[np.float32]:
    return linear_light(profile, dtype)
