"""Side by side pairs: exact sizes, which picture is where."""

import numpy as np
import pytest

from nearpair.errors import NearpairError, PairError
from nearpair.outputs.freeview import crossed, parallel

LEFT = np.full((4, 6, 3), 10, np.uint8)
RIGHT = np.full((4, 6, 3), 200, np.uint8)


@pytest.mark.parametrize("gap_px", [0, 1, 5])
def test_parallel_keeps_left_on_the_left_and_crossed_swaps(gap_px):
    for made, first, second in (
        (parallel(LEFT, RIGHT, gap_px), 10, 200),
        (crossed(LEFT, RIGHT, gap_px), 200, 10),
    ):
        assert made.shape == (4, 12 + gap_px, 3)
        assert made.dtype == np.uint8
        assert (made[:, :6] == first).all()
        assert (made[:, 6 : 6 + gap_px] == 128).all()
        assert (made[:, 6 + gap_px :] == second).all()


def test_sixteen_bit_gap_is_the_same_grey():
    made = parallel(LEFT.astype(np.uint16) * 257, RIGHT.astype(np.uint16) * 257, 2)
    assert made.dtype == np.uint16
    assert (made[:, 6:8] == 32768).all()


def test_refusals():
    with pytest.raises(NearpairError, match="gap_px must be 0 or more, found -1"):
        parallel(LEFT, RIGHT, -1)
    with pytest.raises(PairError, match="must be alike"):
        crossed(LEFT, RIGHT[:3])
