"""The stereo card for the classical hand viewer, laid out in mm and drawn on a sheet to be printed.

The card is 3 1/2 by 7 in (88.9 by 177.8 mm), its pictures at most 3 in high with 1/4 in above and below
(D. Lee, "Mounting Stereo Cards"). The farthest points of both pictures stand at most 80 mm apart, for which
the viewer's wedge-shaped lenses are made (3 to 3 1/8 in is customary: from memory).
"""

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING

from nearpair.errors import NearpairError

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

MM_PER_INCH = 25.4
CARD_MM = (3.5 * MM_PER_INCH, 7 * MM_PER_INCH)
"""(height, width)."""
DOTS_PER_INCH = 300
SHEETS_MM = {"letter": (11 * MM_PER_INCH, 8.5 * MM_PER_INCH), "a4": (297.0, 210.0)}
"""(height, width) by name: ANSI/ASME Y14.1 and ISO 216."""

_HIGHEST_MM = 3 * MM_PER_INCH
_WIDEST_MM, _CENTRES_MM = 75.0, 76.0
_FAR_APART_MM = 80.0
_EDGE_MM = MM_PER_INCH / 4
_MARK_MM, _MARK_GAP_MM, _LINE_MM, _RULE_MM = 6.0, 1.5, 0.1, 50.0
_CAPTION_PT, _SMALLEST_PT, _NOTE_PT = 8.0, 5.0, 9.0
_TOP_MM = 25.0
_FONT = "Vera"
_ADVICE = (
    "Print at 100 % (actual size): this line is then 50 mm long.",
    "Cut along the marks, and mount the card on stiff board.",
)


@dataclass(frozen=True, slots=True)
class CardLayout:
    """Where things stand on the card, mm from its left and top edge."""

    picture_mm: tuple[float, float]
    """(height, width) of each picture."""
    left_mm: float
    right_mm: float
    """Left edges of the two pictures."""
    top_mm: float
    centres_mm: float
    """Distance of the centres of the two pictures."""
    far_mm: float
    """Distance of the farthest points of the two pictures."""

    @property
    def pixels(self) -> tuple[int, int]:
        """(height, width) of a picture at 300 dots per inch."""
        height, width = (max(1, round(side / MM_PER_INCH * DOTS_PER_INCH)) for side in self.picture_mm)
        return height, width


def layout(size_px: tuple[int, int], far_share: float) -> CardLayout:
    """Lay out pictures of (height, width) px whose farthest parallax is `far_share` of their width.

    They get as large as the card has room for; if far points would stand too far apart for the viewer's
    lenses, they get smaller.
    """
    height, width = size_px
    far = max(far_share, 0.0)
    room_mm = min(_HIGHEST_MM, CARD_MM[0] - 2 * _EDGE_MM)
    width_mm = min(_WIDEST_MM, _FAR_APART_MM / (1 + far), room_mm * width / height)
    height_mm = width_mm * height / width
    centres_mm = max(width_mm, min(_CENTRES_MM, _FAR_APART_MM - far * width_mm))
    middle = CARD_MM[1] / 2
    return CardLayout(
        (height_mm, width_mm),
        middle - centres_mm / 2 - width_mm / 2,
        middle + centres_mm / 2 - width_mm / 2,
        (CARD_MM[0] - height_mm) / 2,
        centres_mm,
        centres_mm + far * width_mm,
    )


def card_sheet(jpegs: tuple[bytes, bytes], placed: CardLayout, caption: str, paper: str) -> bytes:
    """A PDF sheet with one card, its cut marks, and a line to check the printer's scale.

    jpegs: the left and the right picture. paper: a key of SHEETS_MM (else NearpairError). A caption that is
    too long is set smaller, then cut at a word. The same bytes for the same card.
    """
    if paper not in SHEETS_MM:
        raise NearpairError(
            f"paper must be {' or '.join(SHEETS_MM)}, found {paper!r}.", "Choose one of these."
        )
    from reportlab.lib.units import mm
    from reportlab.lib.utils import ImageReader
    from reportlab.pdfgen.canvas import Canvas

    _register()
    high, wide = SHEETS_MM[paper]
    file = io.BytesIO()
    sheet = Canvas(file, (wide * mm, high * mm), invariant=1, pageCompression=1, initialFontName=_FONT)
    sheet.setTitle(caption or "Stereo card")
    sheet.setCreator("nearpair")
    left, bottom = (wide - CARD_MM[1]) / 2, high - _TOP_MM - CARD_MM[0]
    for jpeg, across in zip(jpegs, (placed.left_mm, placed.right_mm), strict=True):
        height_mm, width_mm = placed.picture_mm
        at = ((left + across) * mm, (bottom + CARD_MM[0] - placed.top_mm - height_mm) * mm)
        sheet.drawImage(ImageReader(io.BytesIO(jpeg)), *at, width_mm * mm, height_mm * mm)
    _caption(sheet, caption, (left + CARD_MM[1] / 2) * mm, bottom * mm)
    _cut_marks(sheet, left, bottom)
    _scale_line(sheet, left, bottom - 20)
    sheet.showPage()
    sheet.save()
    return file.getvalue()


def printable(text: str) -> str:
    """The text with "?" for letters that the font of the card does not have."""
    from reportlab.pdfbase import pdfmetrics

    _register()
    glyphs = pdfmetrics.getFont(_FONT).face.charToGlyph
    return "".join(letter if ord(letter) in glyphs else "?" for letter in text)


def _register() -> None:
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    if _FONT not in pdfmetrics.getRegisteredFontNames():
        pdfmetrics.registerFont(TTFont(_FONT, "Vera.ttf"))


def _caption(sheet: "Canvas", caption: str, middle: float, bottom: float) -> None:
    from reportlab.lib.units import mm

    text, size = printable(" ".join(caption.split())), _CAPTION_PT
    room = (CARD_MM[1] - 2 * _EDGE_MM) * mm
    while size > _SMALLEST_PT and sheet.stringWidth(text, _FONT, size) > room:
        size -= 0.5
    while text and sheet.stringWidth(text, _FONT, size) > room:
        text = (
            text.removesuffix(" ...").rpartition(" ")[0]
            and f"{text.removesuffix(' ...').rpartition(' ')[0]} ..."
        )
    sheet.setFont(_FONT, size)
    sheet.drawCentredString(middle, bottom + (_EDGE_MM / 2) * mm - size / 3, text)


def _cut_marks(sheet: "Canvas", left: float, bottom: float) -> None:
    """Short lines outside the corners: a cut along them leaves nothing of them on the card."""
    from reportlab.lib.units import mm

    sheet.setLineWidth(_LINE_MM * mm)
    right, top = left + CARD_MM[1], bottom + CARD_MM[0]
    for x, aside in ((left, -1), (right, 1)):
        for y, away in ((bottom, -1), (top, 1)):
            start, end = _MARK_GAP_MM, _MARK_GAP_MM + _MARK_MM
            sheet.line((x + aside * start) * mm, y * mm, (x + aside * end) * mm, y * mm)
            sheet.line(x * mm, (y + away * start) * mm, x * mm, (y + away * end) * mm)


def _scale_line(sheet: "Canvas", left: float, y: float) -> None:
    from reportlab.lib.units import mm

    sheet.line(left * mm, y * mm, (left + _RULE_MM) * mm, y * mm)
    for x in (left, left + _RULE_MM):
        sheet.line(x * mm, (y - 2) * mm, x * mm, (y + 2) * mm)
    sheet.setFont(_FONT, _NOTE_PT)
    for line, words in enumerate(_ADVICE):
        sheet.drawString(left * mm, (y - 7 - 5 * line) * mm, words)
