"""Planes moved by a similarity, against Catmull-Rom weights written out in NumPy, and SciPy's splines.

Catmull & Rom, "A class of local interpolating splines", 1974 (the weights from memory; they reproduce
parabolas, which is tested); two passes: Catmull & Smith, "3-D transformations of images in scanline order",
SIGGRAPH 1980.
"""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import ndimage

from nearpair.geometry.transforms import Similarity
from nearpair.pixels.luma import luma
from nearpair.pixels.warp import NEED_PX, warp
from support.textures import photograph

EVERYTHING = np.zeros((0, 0), np.bool_)
SIZE = (150, 223)
UNTOUCHED = 12345


def sampled(lines, at):
    """Values (n, m) of each of n lines at its m places, by Catmull-Rom; ends are repeated."""
    whole = np.floor(at).astype(int)
    f = at - whole
    weights = (
        -0.5 * f**3 + f**2 - 0.5 * f,
        1.5 * f**3 - 2.5 * f**2 + 1,
        -1.5 * f**3 + 2 * f**2 + 0.5 * f,
        0.5 * f**3 - 0.5 * f**2,
    )
    last = lines.shape[1] - 1
    taps = [np.take_along_axis(lines, np.clip(whole + k - 1, 0, last), axis=1) for k in range(4)]
    return sum(weight * tap for weight, tap in zip(weights, taps, strict=True))


def two_passes(source, inverse, size):
    """Down the columns of the source to the rows of the view, then across."""
    (a, _, tx), (b, _, ty) = inverse
    plane = source.astype(np.float64)
    y, columns = np.arange(size[0]), np.arange(source.shape[1])[:, None]
    down = sampled(plane.T, b * (columns - tx + b * y) / a + a * y + ty).T
    return sampled(down, a * np.arange(size[1]) - b * y[:, None] + tx)


def moved(source, inverse, size=SIZE, gain=1.0, offset=0.0, needed=EVERYTHING, bands=None):
    out = np.full(size, UNTOUCHED, np.uint16)
    for top in range(0, size[0], bands or size[0]):
        warp(source, inverse, gain, offset, needed, out, top, min(top + (bands or size[0]), size[0]))
    return out


def soft(dtype, size=SIZE):
    """A photograph as soft as a lens makes it."""
    plane = cv2.GaussianBlur(luma(photograph("astronaut")), (0, 0), 1.0)[60 : 60 + size[0], 90 : 90 + size[1]]
    return np.rint(plane * (255 if dtype == np.uint8 else 32640)).astype(dtype)


def allowed(source, inverse):
    """How far values may be off: each pass takes a place for one no farther than a hundredth of a pixel.

    Weights across are shared by four rows at least, which is more than that from rolls of 0.4 degrees on.
    """
    near_px = 0.01 + max(0.01, 1.5 * abs(inverse[1, 0]))
    steepest = max(np.max(np.abs(np.diff(source.astype(float), axis=axis)), initial=0) for axis in (0, 1))
    # between two samples a cubic is up to half as steep again
    return 1.5 * steepest * near_px + 1


def about_middle(scale, roll_deg, shift_px):
    return (
        Similarity.about(((SIZE[1] - 1) / 2, (SIZE[0] - 1) / 2), scale, roll_deg, shift_px).inverse().matrix()
    )


MOVES = [
    (1, 0, (0.25, -3.7)),
    (1, 0.004, (2.5, 1.5)),
    (1, 0.05, (-7.3, 4.4)),
    (1.004, 0.3, (12.6, -2.1)),
    (0.7, 2, (0, 0)),
    (1.4, -2, (5.5, 3.3)),
    (0.93, -0.7, (-20.4, 11.1)),
    (1.07, 1.1, (3, -5)),
]


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize(("scale", "roll_deg", "shift_px"), MOVES)
def test_two_passes_of_catmull_rom(scale, roll_deg, shift_px, dtype):
    source, inverse = soft(dtype), about_middle(scale, roll_deg, shift_px)
    gain = 128.0 if dtype == np.uint8 else 1.0
    error = moved(source, inverse, gain=gain) - gain * two_passes(source, inverse, SIZE)
    assert np.max(np.abs(error)) < gain * allowed(source, inverse)
    assert np.sqrt(np.mean(error**2)) < (0.0003 if abs(roll_deg) < 0.4 else 0.002) * 32640


@pytest.mark.parametrize(("scale", "roll_deg", "shift_px"), MOVES)
def test_near_to_scipys_splines(scale, roll_deg, shift_px):
    """map_coordinates, order 3, ends repeated: another cubic, on a soft picture nearly the same."""
    source, inverse = cv2.GaussianBlur(soft(np.uint16), (0, 0), 1.2), about_middle(scale, roll_deg, shift_px)
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    columns = inverse[0, 0] * x + inverse[0, 1] * y + inverse[0, 2]
    rows = inverse[1, 0] * x + inverse[1, 1] * y + inverse[1, 2]
    expected = ndimage.map_coordinates(source.astype(np.float64), [rows, columns], order=3, mode="nearest")
    inside = (columns > 2) & (columns < SIZE[1] - 3) & (rows > 2) & (rows < SIZE[0] - 3)
    error = (moved(source, inverse) - expected)[inside] / 32640
    assert np.max(np.abs(error)) < 0.015
    assert np.sqrt(np.mean(error**2)) < 0.002
    assert abs(np.mean(error)) < 1e-4


@given(
    st.floats(0.7, 1.4),
    st.floats(-2, 2),
    st.tuples(st.floats(-40, 40), st.floats(-40, 40)),
    st.tuples(st.integers(1, 60), st.integers(1, 700)),
    st.tuples(st.integers(1, 60), st.integers(1, 700)),
)
@settings(deadline=None, max_examples=60)
def test_any_size_of_either(scale, roll_deg, shift_px, source_size, size):
    """From a single sample to more columns than are worked on at once; also frames that see nothing of it."""
    y, x = np.mgrid[: source_size[0], : source_size[1]]
    source = np.rint(30000 + 9000 * np.sin(x / 9) + 9000 * np.cos(y / 7)).astype(np.uint16)
    inverse = Similarity.about((20, 20), scale, roll_deg, shift_px).inverse().matrix()
    error = moved(source, inverse, size) - two_passes(source, inverse, size)
    assert np.max(np.abs(error)) < allowed(source, inverse)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
@pytest.mark.parametrize("shift_px", [(0, 0), (7, -4), (-300, 9), (900, -5), (2, 400)])
def test_whole_pixels_are_exact_and_ends_are_repeated(shift_px, dtype):
    source = np.random.default_rng(81).integers(0, np.iinfo(dtype).max + 1, SIZE).astype(dtype)
    y, x = np.mgrid[: SIZE[0], : SIZE[1]]
    expected = source[np.clip(y - shift_px[1], 0, SIZE[0] - 1), np.clip(x - shift_px[0], 0, SIZE[1] - 1)]
    inverse = Similarity(shift_x_px=shift_px[0], shift_y_px=shift_px[1]).inverse().matrix()
    np.testing.assert_array_equal(moved(source, inverse), expected)


def test_parabolas_are_reproduced():
    """Catmull-Rom weights are exact for them; moved by a quarter and three eighths, a scale of 1.25."""
    y, x = np.mgrid[:80, :100].astype(np.float64)

    def value(x, y):
        return 0.8 * x**2 + 1.1 * y**2 + 40 * x + 60 * y + 300

    source = np.rint(value(x, y)).astype(np.uint16)
    found = moved(source, np.array([[0.8, 0, 0.25], [0, 0.8, 0.375]]), (80, 100))
    inner = np.s_[4:-4, 4:-4]
    np.testing.assert_allclose(found[inner], value(0.8 * x + 0.25, 0.8 * y + 0.375)[inner], atol=1.5)


def test_values_become_gain_times_value_plus_offset_and_stop_at_the_ends():
    source = np.arange(256, dtype=np.uint8).reshape(16, 16)
    still = Similarity().matrix()
    expected = np.clip(np.rint(300.25 * source.astype(float) - 5000), 0, 65535)
    np.testing.assert_allclose(moved(source, still, (16, 16), 300.25, -5000), expected, atol=1)


@given(
    st.sampled_from([(1, 0, (0.5, 0.25)), (1.2, 0.03, (4.2, 7)), (0.8, -1.9, (9.7, -3.1))]),
    st.sampled_from([0.0, 0.03, 0.4, 1.0]),
    st.integers(0, 2**32 - 1),
    st.sampled_from([np.uint8, np.uint16]),
)
@settings(deadline=None, max_examples=60)
def test_needed_blocks_are_as_if_all_were(move, share, seed, dtype):
    source, inverse = soft(dtype), about_middle(*move)
    blocks = tuple(-(-side // NEED_PX) for side in SIZE)
    needed = np.random.default_rng(seed).random(blocks) < share
    part, whole = (moved(source, inverse, needed=mask) for mask in (needed, EVERYTHING))
    where = needed.repeat(NEED_PX, axis=0).repeat(NEED_PX, axis=1)[: SIZE[0], : SIZE[1]]
    # a run that begins elsewhere takes other places for one
    assert np.max(np.abs(part[where].astype(int) - whole[where]), initial=0) < 2 * allowed(source, inverse)
    # whole rows of blocks of which none is needed are left alone
    nothing = ~where.any(axis=1)
    assert np.all(part[nothing] == UNTOUCHED)


def test_bands_of_rows_make_no_seams():
    """Weights are kept for some rows of a band: its seams may differ by as much as places do."""
    source, inverse = soft(np.uint16), about_middle(1.01, 0.2, (3.3, 1.1))
    kept = source.copy()
    apart = moved(source, inverse, bands=32).astype(int) - moved(source, inverse)
    assert np.max(np.abs(apart)) < 2 * allowed(source, inverse)
    np.testing.assert_array_equal(source, kept)
