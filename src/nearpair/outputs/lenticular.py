"""Interlacing for a lens sheet: each lens covers a strip of every view, and shows each eye another one.

The strip of a lens is its pitch as printed, which is a little wider than the lens: seen from the distance V
the strips of outer lenses lie farther out. p_print = p_lens · (V + t/n)/V for a sheet of thickness t and
refractive index n (elementary geometry). As that depends on sheet, printer and distance, printed pitch is
measured with a test strip: the bar that looks even all over has the right pitch (common practice, no source).
A lens turns its strip round, so the rightmost view comes first (elementary geometry).
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from nearpair.errors import NearpairError

View = NDArray[np.uint8]

MM_PER_INCH = 25.4
FEWEST_PX = 4.0
"""Printed dots that a lens has to cover: with fewer, there is no room for views."""

_BAR_INCH, _GAP_INCH = 0.3, 0.12
_PAPER, _INK = 255, 0
_EDGE = 1e-9  # a dot in the middle of an edge falls to one side, whatever rounding did


def views_for(pitch: float, dots: float, most: int = 24) -> int:
    """How many views a lens can show: printer's dots per inch over lenses per inch, at most `most`.

    Raises NearpairError if a lens covers too few dots.
    """
    across = dots / pitch
    if across < FEWEST_PX:
        found = f"A lens of {pitch:g} per inch covers {across:.1f} dots of {dots:g} per inch"
        remedy = "Print finer, or take wider lenses."
        raise NearpairError(f"{found}; {FEWEST_PX:g} or more are needed.", remedy)
    return min(most, int(across))


def interlaced(views: Sequence[View], pitch: float, dots: float) -> View:
    """Interlace views (H, W, 3), from the leftmost to the rightmost, of the size of the print in dots.

    pitch: printed lenses per inch; dots per inch. Each column of dots is taken from one view, by where its
    middle lies below its lens; the middle of the print lies below the middle of a lens.
    """
    stack = np.stack(views)
    width = stack.shape[2]
    below = ((np.arange(width) + 0.5 - width / 2) * pitch / dots + 0.5) % 1.0
    number = len(views) - 1 - np.minimum((below * len(views)).astype(int), len(views) - 1)
    picked: View = stack[number, :, np.arange(width)].swapaxes(0, 1)
    return np.ascontiguousarray(picked)


def pitch_bars(pitch: float, dots: float, width: int, step: float, each_side: int = 5) -> View:
    """Bars of `width` dots at pitches around `pitch` (lenses per inch) in `step`s, each with its number.

    In each bar half of every lens is black. Under the sheet, from the distance at which the picture will be
    looked at, the right pitch is all black or all white from end to end; others show stripes.
    """
    bar, gap = (round(size * dots) for size in (_BAR_INCH, _GAP_INCH))
    font = ImageFont.load_default(gap)
    rows = []
    for number in range(-each_side, each_side + 1):
        tried = pitch + number * step
        below = ((np.arange(width) + 0.5 - width / 2) * tried / dots + 0.5) % 1.0
        line = np.where(np.floor(2 * below + 0.5 + _EDGE) % 2 == 1, _INK, _PAPER).astype(np.uint8)
        label = Image.new("L", (width, round(1.6 * gap)), _PAPER)
        ImageDraw.Draw(label).text((gap, 0), f"{tried:.3f} lenses per inch", _INK, font)
        rows += [np.asarray(label), np.tile(line, (bar, 1))]
    grey = np.concatenate(rows)
    return np.repeat(grey[..., None], 3, axis=2)
