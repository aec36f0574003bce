"""What the makers of published forms work with: the mounted pair as seen, in the size that was asked for."""

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import cv2
import msgspec
import numpy as np
from numpy.typing import NDArray

from nearpair.frames.carried import Carried, carried
from nearpair.frames.profiles import srgb_profile
from nearpair.frames.write import read_tiff
from nearpair.frames.xmp import About
from nearpair.outputs.floating import masked
from nearpair.pixels.luma import Plane
from nearpair.progress import Progress
from nearpair.shoot.exporting import Ready
from nearpair.shoot.folder import ShootFolder

View = NDArray[np.uint8]

_FAR_PERCENTILE = 99.0


class Settings(msgspec.Struct, frozen=True):
    """How forms are made. `size_px`: width of one eye's picture at most, None as each form has it.

    For the card, `paper`. For lens sheets, `pitch` (lenses per inch), `dots` (per inch) and the width
    `print_mm`. For the clip, `packing`, `screen`, `seconds`, and whether it is `rocking` and has a
    `countdown` and `cues`.
    """

    size_px: int | None = None
    private: bool = False
    paper: str = "a4"
    pitch: float = 60.0
    dots: float = 600.0
    print_mm: float = 150.0
    packing: str = "anaglyph"
    screen: str = "1080p"
    seconds: float = 8.0
    rocking: bool = False
    countdown: bool = False
    cues: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Sized:
    """Both pictures (H, W, 3) in sRGB, and the parallax of the left one (H, W) in their px; NaN unknown."""

    left: View
    right: View
    parallax: Plane


class Material:
    """A mounted pair for the makers of forms; what is needed is read once, when it is first asked for."""

    def __init__(self, shoot: ShootFolder, ready: Ready, settings: Settings, progress: Progress) -> None:
        self._shoot = shoot
        self.ready = ready
        self.settings = settings
        self.progress = progress

    @property
    def about(self) -> About:
        """What was said about the picture."""
        said = self.ready.decisions.about
        return About(said.caption, said.creator, said.alt)

    @cached_property
    def carried(self) -> Carried:
        """The metadata that goes with pictures."""
        return carried(self.ready.frame, self.about, private=self.settings.private)

    @cached_property
    def profile(self) -> bytes:
        """The colour profile of pictures."""
        return srgb_profile()

    @cached_property
    def far_share(self) -> float:
        """Parallax of the farthest points as a share of the width; 0 where nothing lies behind the window."""
        known = self._full.parallax[np.isfinite(self._full.parallax)]
        far_px = float(np.percentile(known, _FAR_PERCENTILE)) if known.size else 0.0
        return max(far_px, 0.0) / len(self._full.left[0])

    @property
    def width_px(self) -> int:
        """Width of the mounted pictures."""
        return len(self._full.left[0])

    @cached_property
    def depth(self) -> Plane | None:
        """Depth of the mounted pair (H, W) in mm behind the window; None if mm are not known."""
        return read_tiff(self._shoot.depth) if self._shoot.depth.is_file() else None

    def sized(self, widest_px: int | None = None, *, floating: bool = False) -> Sized:
        """The pair no wider than was asked for, else than `widest_px`; it is never enlarged.

        floating: with the masks of a floating window.
        """
        width = len(self._full.left[0])
        small = self.at_most(self.settings.size_px or widest_px or width)
        if not floating:
            return small
        sides = self.ready.mounted.mounting.floating_px
        first, last = (round(side * len(small.left[0]) / width) for side in sides)
        return Sized(*masked(small.left, small.right, (first, last)), small.parallax)

    def at_most(self, widest_px: int) -> Sized:
        """The pair no wider than this; never enlarged."""
        full = self._full
        height, width = full.left.shape[:2]
        wanted = min(widest_px, width)
        if wanted == width:
            return full
        size = (wanted, max(1, round(height * wanted / width)))
        left, right = (_area(view, size) for view in (full.left, full.right))
        near: Any = cv2.resize(full.parallax, size, interpolation=cv2.INTER_NEAREST)
        return Sized(left, right, np.asarray(near * np.float32(wanted / width), np.float32))

    @cached_property
    def _full(self) -> Sized:
        return Sized(*self.ready.shown.pair(), read_tiff(self._shoot.parallax))


def _area(view: View, size: tuple[int, int]) -> View:
    return np.asarray(cv2.resize(view, size, interpolation=cv2.INTER_AREA), np.uint8)
