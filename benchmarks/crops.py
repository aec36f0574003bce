"""Crops to look at: where a merged view is worst near depth jumps, beside truth and references."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from benchmarks.judge import Mask, Picture, Plane, matched

SIDE_PX = 120
ENLARGED = 3
LABEL_PX = 24
GAP_PX = 6


def error_of(picture: Picture, truth: Picture) -> Plane:
    """Return the square error of every pixel, brightness left out, 8-bit units."""
    return np.asarray(((matched(picture, truth) - truth) ** 2).mean(axis=2))


def worst_places(error: Plane, where: Mask, count: int, side_px: int = SIDE_PX) -> list[tuple[int, int]]:
    """Return the corners (x, y) of the squares with the most error within `where`, worst first.

    Squares lie inside the picture and do not overlap; fewer than `count` if no more have any error.
    """
    held: Any = np.where(where, error, 0.0)
    total = cv2.integral(held)
    sums = (
        total[side_px:, side_px:]
        - total[:-side_px, side_px:]
        - total[side_px:, :-side_px]
        + total[:-side_px, :-side_px]
    )
    found: list[tuple[int, int]] = []
    while len(found) < count and sums.max() > 0:
        y, x = (int(place) for place in np.unravel_index(int(sums.argmax()), sums.shape))
        found.append((x, y))
        sums[max(0, y - side_px + 1) : y + side_px, max(0, x - side_px + 1) : x + side_px] = 0
    return found


def side_by_side(pictures: Mapping[str, Picture], corner: tuple[int, int]) -> NDArray[np.uint8]:
    """Return the same square of every picture, enlarged without smoothing, each under its name."""
    x, y = corner
    side = SIDE_PX * ENLARGED
    width = len(pictures) * (side + GAP_PX) - GAP_PX
    sheet = Image.new("RGB", (width, side + LABEL_PX), "white")
    pen, font = ImageDraw.Draw(sheet), ImageFont.load_default(16)
    for number, (name, picture) in enumerate(pictures.items()):
        square = Image.fromarray(np.ascontiguousarray(picture[y : y + SIDE_PX, x : x + SIDE_PX]))
        left = number * (side + GAP_PX)
        sheet.paste(square.resize((side, side), Image.Resampling.NEAREST), (left, LABEL_PX))
        pen.text((left + 2, 2), f"{name}   x {x}, y {y}" if number == 0 else name, "black", font)
    return np.asarray(sheet, dtype=np.uint8)


def write_crops(
    folder: Path, name: str, pictures: Mapping[str, Picture], error: Plane, where: Mask, count: int = 3
) -> None:
    """Write the worst places of one view as `name`_1.png, ..."""
    folder.mkdir(parents=True, exist_ok=True)
    for number, corner in enumerate(worst_places(error, where, count), start=1):
        Image.fromarray(side_by_side(pictures, corner)).save(folder / f"{name}_{number}.png")
