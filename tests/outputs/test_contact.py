"""The contact sheet: pictures whole and in their places, the marked one framed, text within its tile."""

import numpy as np

from nearpair.outputs.contact import Tile, contact_sheet

PAPER = (250, 250, 248)


def flat(value, size=(80, 120)):
    return np.full((*size, 3), value, np.uint8)


def test_pictures_stand_in_rows_in_their_order():
    tiles = [Tile(flat(40 * k), f"a + {k}", ("x",)) for k in range(1, 5)]
    sheet = contact_sheet("Pairs", tiles)
    assert sheet.dtype == np.uint8
    assert sheet.shape[1] == 3 * 460 + 20
    top = int(np.flatnonzero((sheet[:, 240] == 40).all(axis=1))[0])
    for column, value in enumerate((40, 80, 120)):
        tile = sheet[top : top + 293, 20 + 460 * column : 460 + 460 * column]
        assert (tile == value).all()
    below = np.flatnonzero((sheet[:, 240] == 160).all(axis=1))
    assert below[0] > top + 293
    assert len(below) == 293


def test_the_marked_tile_has_a_frame_and_the_picture_stays_whole():
    plain = contact_sheet("Pairs", [Tile(flat(200), "a", ("x",))])
    marked = contact_sheet("Pairs", [Tile(flat(200), "a", ("x",), marked=True)])
    differs = (plain != marked).any(axis=2)
    assert differs.any()
    assert set(map(tuple, marked[differs])) == {(20, 20, 20)}
    assert (marked == 200).all(axis=2).sum() == (plain == 200).all(axis=2).sum()


def test_long_names_stay_in_their_tile_and_no_picture_is_an_empty_one():
    long = "a very long name of a station with many words " * 4
    sheet = contact_sheet("Pairs", [Tile(None, long, (long,)), Tile(flat(200), "b", ("x",))])
    assert (sheet[:, 460:478] == PAPER).all()
    empty = (sheet[:, 20:460] == (222, 222, 220)).all(axis=2)
    assert empty.all(axis=1).sum() == 293


def test_same_tiles_same_bytes():
    tiles = [Tile(flat(90), "a + b", ("comfortable", "base 1.00"), marked=True)]
    assert np.array_equal(contact_sheet("A heading " * 30, tiles), contact_sheet("A heading " * 30, tiles))


def test_a_heading_is_wrapped_not_cut():
    one = contact_sheet("Pairs", [Tile(flat(90), "a", ())])
    many = contact_sheet("Pairs of this shoot " * 12, [Tile(flat(90), "a", ())])
    assert many.shape[1] == one.shape[1]
    assert many.shape[0] > one.shape[0]
    assert (many[:, -20:] == PAPER).all()
