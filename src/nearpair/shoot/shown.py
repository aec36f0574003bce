"""The mounted pair as screens and prints show it, and its anaglyph: made once for several stages."""

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from nearpair.colour.evening import UNCHANGED
from nearpair.colour.glasses import Glasses
from nearpair.frames.profiles import read_profile
from nearpair.frames.write import read_tiff
from nearpair.outputs.anaglyph import BY_COLOUR, anaglyph
from nearpair.outputs.floating import masked
from nearpair.progress import Progress, silent
from nearpair.shoot.decisions import ColourDecisions
from nearpair.shoot.evening import Gains, seen_evened
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.glassesfile import glasses_named

Picture = NDArray[np.uint8]

_MANY_PX = 4_000_000  # fewer are mixed by any method but cielab in a second or two


class MountedPair:
    """A mounted pair in sRGB, 8 bit, (H, W, 3) each, and its anaglyph.

    One stage leaves both to the next: a large anaglyph takes as long to mix as many frames to merge.
    """

    def __init__(self, shoot: ShootFolder, floating_px: tuple[int, int], decided: ColourDecisions) -> None:
        """Raises NearpairError if a calibration file of glasses cannot be used."""
        self.glasses = glasses_named(decided.glasses)
        self.method = decided.method
        self._shoot = shoot
        self._floating_px = floating_px
        self._pair: tuple[Picture, Picture] | None = None
        self._anaglyph: Picture | None = None

    def pair(self) -> tuple[Picture, Picture]:
        """Left and right, without masks."""
        if self._pair is None:
            self._pair = pair_as_seen(self._shoot)
        return self._pair

    def published(self) -> tuple[Picture, Picture]:
        """Left and right with the masks of a floating window, if there is one."""
        return masked(*self.pair(), self._floating_px)

    def anaglyph(self, glasses: Glasses, method: str, progress: Progress = silent) -> Picture:
        """The published pair as an anaglyph; that of the decided glasses and method is kept."""
        if glasses is not self.glasses or method != self.method:
            return mixed(*self.published(), glasses, method, progress)
        if self._anaglyph is None:
            self._anaglyph = mixed(*self.published(), glasses, method, progress)
        return self._anaglyph

    def bare_anaglyph(self, progress: Progress = silent) -> Picture:
        """The decided anaglyph of the pair without masks."""
        if any(self._floating_px):
            return mixed(*self.pair(), self.glasses, self.method, progress)
        return self.anaglyph(self.glasses, self.method, progress)


def mixed(left: Picture, right: Picture, glasses: Glasses, method: str, progress: Progress) -> Picture:
    """An anaglyph, with progress from inside where that takes long."""
    is_slow = method in BY_COLOUR and left.shape[0] * left.shape[1] > _MANY_PX
    return np.asarray(anaglyph(left, right, glasses, method, progress if is_slow else silent), np.uint8)


def pair_as_seen(shoot: ShootFolder) -> tuple[Picture, Picture]:
    """The mounted pair in sRGB, 8 bit: what screens and prints show."""
    left, right = (as_seen(path) for path in (shoot.left, shoot.right))
    return left, right


def as_seen(path: Path) -> Picture:
    """A TIFF of a shoot in sRGB, 8 bit (H, W, 3)."""
    return as_evened(path, UNCHANGED)


def as_evened(path: Path, gains: Gains) -> Picture:
    """A TIFF of a shoot in sRGB, 8 bit (H, W, 3), its linear light multiplied by these gains first."""
    return seen_evened(read_tiff(path), read_profile(path), gains)
