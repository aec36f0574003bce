"""Interlacing for lens sheets: what each eye sees through ideal lenses, and the pitch of the test bars.

Check values: a lens of 60 per inch covers 10 dots of 600, one of 40 covers 18 dots of 720 (arithmetic).
"""

import numpy as np
import pytest

from nearpair.errors import NearpairError
from nearpair.outputs.lenticular import interlaced, pitch_bars, views_for

LENSES = [(60, 600, 10), (40, 720, 18), (75, 1440, 19), (100, 2400, 24)]


@pytest.mark.parametrize(("pitch", "dots", "views"), LENSES)
def test_views_that_a_lens_has_room_for(pitch, dots, views):
    assert views_for(pitch, dots) == views


def test_too_few_dots_are_refused():
    with pytest.raises(NearpairError, match=r"covers 3\.0 dots of 300 per inch; 4 or more"):
        views_for(100, 300)


def test_each_place_below_a_lens_shows_one_view_the_rightmost_first():
    """Turned round by the lens: what lies at the left below it is seen from the right."""
    views = [np.full((3, 600, 3), 20 * number, np.uint8) for number in range(10)]
    made = interlaced(views, 60, 600)
    assert made.shape == (3, 600, 3)
    lens = made[0, 295:305, 0]  # the lens in the middle of the print: dots 295 to 304
    assert lens.tolist() == [180 - 20 * number for number in range(10)]
    assert (made[0, :, 0] == np.roll(np.tile(lens, 60), 5)).all()


def test_every_column_comes_from_its_own_place_in_its_view():
    rng = np.random.default_rng(3)
    views = [rng.integers(0, 256, (4, 97, 3), np.uint8) for _ in range(6)]
    made = interlaced(views, 61.3, 720)
    for x in range(97):
        assert any((made[:, x] == view[:, x]).all() for view in views)
    assert interlaced([views[0]] * 6, 61.3, 720).tobytes() == views[0].tobytes()


def test_the_bars_have_the_pitch_that_stands_beside_them():
    dots, width = 600, 6000
    strip = pitch_bars(60.0, dots, width, 0.1, each_side=2)[..., 0]
    bars = [row for row in strip if (row == 0).mean() > 0.4]
    found = []
    for row in bars:
        starts = np.flatnonzero((row[1:] == 0) & (row[:-1] == 255))
        found.append((len(starts) - 1) / ((starts[-1] - starts[0]) / dots))
    assert sorted({round(pitch, 1) for pitch in found}) == [59.8, 59.9, 60.0, 60.1, 60.2]
