"""A contact sheet: small pictures side by side, each with lines of text below it, some of them marked."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

Picture = NDArray[np.uint8]

_TILE_PX = 440
_MARGIN_PX, _LINE_PX, _TEXT_PX, _FRAME_PX = 20, 24, 17, 5
_MOST_COLUMNS = 3
_PAPER, _INK, _WEAK, _MARK, _EMPTY = (
    (250, 250, 248),
    (20, 20, 20),
    (95, 95, 95),
    (20, 20, 20),
    (222, 222, 220),
)


@dataclass(frozen=True, slots=True, eq=False)
class Tile:
    """One picture (h, w, 3) in 8 bits, or None for none, and what stands below it: a title and lines."""

    picture: Picture | None
    title: str
    lines: tuple[str, ...]
    marked: bool = False


def contact_sheet(heading: str, tiles: Sequence[Tile]) -> Picture:
    """Draw the tiles in rows below a heading, (H, W, 3); pictures are scaled to one width, never cropped."""
    columns = min(_MOST_COLUMNS, max(1, len(tiles)))
    pictures = [_fitted(tile.picture) for tile in tiles]
    high = max((picture.shape[0] for picture in pictures), default=0)
    below = _LINE_PX * (1 + max((len(tile.lines) for tile in tiles), default=0))
    cell = (_TILE_PX + _MARGIN_PX, high + below + 2 * _MARGIN_PX)
    width = columns * cell[0] + _MARGIN_PX
    head = _wrapped(heading, width - 2 * _MARGIN_PX)
    top = _MARGIN_PX + _LINE_PX * len(head) + _MARGIN_PX
    sheet = Image.new("RGB", (width, top + -(-len(tiles) // columns) * cell[1]), _PAPER)
    draw = ImageDraw.Draw(sheet)
    for row, line in enumerate(head):
        draw.text((_MARGIN_PX, _MARGIN_PX + row * _LINE_PX), line, _INK, _font())
    for number, (tile, picture) in enumerate(zip(tiles, pictures, strict=True)):
        at = (_MARGIN_PX + number % columns * cell[0], top + number // columns * cell[1])
        _draw(sheet, draw, tile, picture, at, high)
    return np.asarray(sheet, np.uint8)


def _draw(
    sheet: Image.Image,
    draw: ImageDraw.ImageDraw,
    tile: Tile,
    picture: Picture,
    at: tuple[int, int],
    high: int,
) -> None:
    x, y = at
    sheet.paste(Image.fromarray(picture), at)
    if tile.marked:
        edge = _FRAME_PX + 2
        box = (x - edge, y - edge, x + picture.shape[1] + edge - 1, y + picture.shape[0] + edge - 1)
        draw.rectangle(box, outline=_MARK, width=_FRAME_PX)
    for row, line in enumerate((tile.title, *tile.lines)):
        place = (x, y + high + _MARGIN_PX // 2 + row * _LINE_PX)
        draw.text(place, _shortened(line), _WEAK if row else _INK, _font())


def _fitted(picture: Picture | None) -> Picture:
    if picture is None:
        return np.full((_TILE_PX * 2 // 3, _TILE_PX, 3), _EMPTY, np.uint8)
    height = max(1, round(picture.shape[0] * _TILE_PX / picture.shape[1]))
    shrinks = picture.shape[1] >= _TILE_PX
    scaled: Any = cv2.resize(
        picture, (_TILE_PX, height), interpolation=cv2.INTER_AREA if shrinks else cv2.INTER_CUBIC
    )
    return np.asarray(scaled, np.uint8)


@cache
def _font() -> ImageFont.ImageFont | ImageFont.FreeTypeFont:
    return ImageFont.load_default(_TEXT_PX)


def _shortened(line: str) -> str:
    """A line that is too long for its tile, with its middle left out: names differ at their ends."""
    if _font().getlength(line) <= _TILE_PX:
        return line
    keep = len(line)
    while keep > 2 and _font().getlength(_without_middle(line, keep)) > _TILE_PX:
        keep -= 1
    return _without_middle(line, keep)


def _without_middle(line: str, keep: int) -> str:
    return f"{line[: keep // 2]} ... {line[len(line) - keep // 2 :]}"


def _wrapped(text: str, width: int) -> list[str]:
    lines = [""]
    for word in text.split():
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and _font().getlength(longer) > width:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines
