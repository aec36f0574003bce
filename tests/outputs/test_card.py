"""The stereo card on paper, measured in mm on a rasterised page (pypdfium2, an independent reader)."""

import io

import numpy as np
import pypdfium2
import pytest
from PIL import Image

from nearpair.errors import NearpairError
from nearpair.outputs.card import SHEETS_MM, card_sheet, layout

DPI = 300
INCH = 25.4


def jpeg(colour, size):
    file = io.BytesIO()
    Image.new("RGB", size, colour).save(file, "JPEG", quality=95, subsampling="4:4:4")
    return file.getvalue()


def page(paper, placed, caption="Gears"):
    height, width = placed.pixels
    jpegs = (jpeg((255, 0, 0), (width, height)), jpeg((0, 0, 255), (width, height)))
    pdf = pypdfium2.PdfDocument(card_sheet(jpegs, placed, caption, paper))
    assert len(pdf) == 1
    return pdf[0], np.asarray(pdf[0].render(scale=DPI / 72).to_pil().convert("RGB")).astype(int)


def box_mm(mask):
    """Left, top, right, bottom edge in mm."""
    rows, columns = np.flatnonzero(mask.any(1)), np.flatnonzero(mask.any(0))
    ends = (columns[0], rows[0], columns[-1] + 1, rows[-1] + 1)
    return [end / DPI * INCH for end in ends]


@pytest.mark.parametrize("paper", SHEETS_MM)
def test_sheet_pictures_and_marks_have_their_size_in_mm(paper):
    placed = layout((2000, 3000), 0.02)
    sheet, seen = page(paper, placed)
    wide, high = (length / 72 * INCH for length in sheet.get_size())
    assert (high, wide) == pytest.approx(SHEETS_MM[paper], abs=0.01)
    red = (seen[..., 0] > 200) & (seen[..., 2] < 80)
    blue = (seen[..., 2] > 200) & (seen[..., 0] < 80)
    left, right = box_mm(red), box_mm(blue)
    one_dot = 2 * INCH / DPI
    assert left[2] - left[0] == pytest.approx(placed.picture_mm[1], abs=one_dot)
    assert left[3] - left[1] == pytest.approx(placed.picture_mm[0], abs=one_dot)
    # centres 76 mm apart: far points then stand about 3 in apart, as is customary (REFERENCES: from memory)
    assert (right[0] + right[2] - left[0] - left[2]) / 2 == pytest.approx(76.0, abs=one_dot)
    assert 76.0 <= placed.far_mm <= 80.0


@pytest.mark.parametrize("paper", SHEETS_MM)
def test_cut_marks_bound_a_card_of_three_and_a_half_by_seven_inches(paper):
    """3 1/2 x 7 in: D. Lee, "Mounting Stereo Cards"."""
    _, seen = page(paper, layout((2000, 3000), 0.0), caption="")
    dark = seen.max(axis=2) < 140
    upper = dark[: round(120 / INCH * DPI)]  # the scale line lies below
    columns = np.flatnonzero(upper[: round(24 / INCH * DPI)].any(0))  # the standing marks above the card
    rows = np.flatnonzero(dark[: round(125 / INCH * DPI), : round(16 / INCH * DPI)].any(1))
    standing = np.flatnonzero(upper[round(20 / INCH * DPI)])
    assert (standing[-1] - standing[0]) / DPI * INCH == pytest.approx(177.8, abs=0.2)
    assert (rows[-1] - rows[0]) / DPI * INCH == pytest.approx(88.9, abs=0.2)
    assert columns.size


def test_the_line_to_check_the_scale_is_50_mm_long():
    _, seen = page("a4", layout((2000, 3000), 0.0))
    row = round((25 + 88.9 + 20) / INCH * DPI)
    dark = (seen[row - 3 : row + 4].max(axis=2) < 140).any(0)
    found = np.flatnonzero(dark)
    assert (found[-1] - found[0] + 1) / DPI * INCH == pytest.approx(50.0, abs=0.2)


@pytest.mark.parametrize("size", [(2000, 3000), (3000, 2000), (1000, 1000), (900, 2000)])
@pytest.mark.parametrize("far", [-0.05, 0.0, 0.03, 0.2])
def test_the_layout_stays_on_the_card_and_within_the_viewers_reach(size, far):
    placed = layout(size, far)
    height, width = placed.picture_mm
    assert height <= 76.2 + 1e-9
    assert width / height == pytest.approx(size[1] / size[0])
    assert placed.left_mm >= 0
    assert placed.right_mm + width <= 177.8
    assert placed.left_mm + width <= placed.right_mm + 1e-9
    assert placed.far_mm <= 80 + 1e-9


def test_a_long_caption_is_cut_and_the_text_is_text():
    sheet, _ = page("letter", layout((200, 300), 0.0), "A very long caption of gears " * 30)
    text = sheet.get_textpage().get_text_range()
    assert text.startswith("A very long caption of gears")
    assert "..." in text


def test_same_card_same_bytes_and_a_wrong_paper_is_refused():
    placed = layout((20, 30), 0.0)
    picture = jpeg((9, 9, 9), (30, 20))
    assert card_sheet((picture, picture), placed, "x", "a4") == card_sheet(
        (picture, picture), placed, "x", "a4"
    )
    with pytest.raises(NearpairError, match="paper must be letter or a4, found 'b5'"):
        card_sheet((picture, picture), placed, "x", "b5")
