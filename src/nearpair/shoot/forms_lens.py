"""Makers of what is printed for a lens sheet: the interlaced picture, and the strip that tells its pitch."""

from pathlib import Path
from typing import Any

import cv2
import numpy as np

from nearpair.frames.write import write_png
from nearpair.outputs.lenticular import MM_PER_INCH, interlaced, pitch_bars, views_for
from nearpair.shoot.atomic import replacing
from nearpair.shoot.material import Material, View
from nearpair.shoot.rebasing import ready

_STRIP_INCH, _STEP_SHARE = 6.0, 1 / 600  # bars differ by a 600th: an inch in the width of 50


def lenticular_form(material: Material, path: Path) -> list[str]:
    """The picture, interlaced from as many views as a lens has room for."""
    settings = material.settings
    count = views_for(settings.pitch, settings.dots)
    width = round(settings.print_mm / MM_PER_INCH * settings.dots)
    pair = material.at_most(width)
    between = ready(pair.left, pair.right, pair.parallax)
    height = round(pair.left.shape[0] * width / pair.left.shape[1])
    views = []
    for number in range(count):
        material.progress("reckoning views in between", number, count)
        view = np.asarray(between.view(number / (count - 1)).picture, np.uint8)
        views.append(_enlarged(view, (width, height)))
    material.progress("reckoning views in between", count, count)
    printed = interlaced(views, settings.pitch, settings.dots)
    with replacing(path) as part:
        write_png(part, printed, material.profile, settings.dots, carried=material.carried)
    size = f"{settings.print_mm:g} mm wide at {settings.dots:g} dots per inch"
    return [
        f"{count} views below {settings.pitch:g} lenses per inch; {size}.",
        "Print at 100 % without any improvement by the printer's program, lenses upright.",
    ]


def strip_form(material: Material, path: Path) -> list[str]:
    """The strip that measures the pitch."""
    settings = material.settings
    views_for(settings.pitch, settings.dots)
    width = round(_STRIP_INCH * settings.dots)
    strip = pitch_bars(settings.pitch, settings.dots, width, settings.pitch * _STEP_SHARE)
    with replacing(path) as part:
        write_png(part, strip, material.profile, settings.dots)
    return [
        "Print it at 100 %, lay the lens sheet on it, and look from where the picture will be looked at.",
        "The bar that is even from end to end has the right number: give it to --pitch.",
    ]


def _enlarged(view: View, size: tuple[int, int]) -> View:
    scaled: Any = cv2.resize(view, size, interpolation=cv2.INTER_CUBIC)
    return np.asarray(scaled, np.uint8)
