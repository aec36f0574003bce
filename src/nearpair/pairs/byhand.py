"""What a person sets by hand when mounting: the right picture moved, turned and sized, the window shifted.

It comes on top of what was measured. Signs as in the mounted pair: parallax = x_right − x_left, so moving the
right picture to the right puts everything farther behind the window.
"""

from dataclasses import dataclass, replace

import numpy as np

from nearpair.geometry.projective import Projective
from nearpair.geometry.transforms import Similarity
from nearpair.pairs.placing import Laid, Placed


@dataclass(frozen=True, slots=True)
class ByHand:
    """Of the right picture: px to the right and up, degrees clockwise and size, about the middle."""

    shift_px: float = 0.0
    raise_px: float = 0.0
    turn_deg: float = 0.0
    scale: float = 1.0

    def about(self, middle: tuple[float, float]) -> Similarity:
        """Turn, size and height as a transform (px → px, y down); the shift belongs to the window."""
        return Similarity.about(middle, self.scale, self.turn_deg, (0.0, -self.raise_px))


def adjusted(laid: Laid, by_hand: ByHand) -> Laid:
    """The views laid as a hand wants them: what the right picture does, the disparity follows."""
    height, width = laid.size_px
    change = by_hand.about(((width - 1) / 2, (height - 1) / 2))
    if change == Similarity():
        return laid
    rows, columns = np.indices(laid.disparity.shape, dtype=np.float64)
    # centres of the map's px in px of the views
    x, y = ((columns + 0.5) * laid.factor - 0.5, (rows + 0.5) * laid.factor - 0.5)
    seen_at = x - laid.disparity * laid.factor
    moved_to = change.a * seen_at - change.b * y + change.shift_x_px
    disparity = ((x - moved_to) / laid.factor).astype(np.float32)
    return replace(laid, right=laid.right.then(Projective.like(change)), disparity=disparity)


def shifted(laid: Laid, placed: Placed, aspect: float | None, shift_px: float) -> Placed:
    """The pair with its window moved by hand. Raises PairError if the views share too little then."""
    if shift_px == 0.0:
        return placed
    window_px = placed.mount.window_disparity_px + shift_px
    mount = laid.mount(window_px, aspect, placed.mount.window_point_px)
    rule = f"{placed.window_rule}, then moved by {shift_px:+.4g} px by hand"
    return Placed(mount, rule, placed.crop_rule)
