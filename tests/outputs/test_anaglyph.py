"""Anaglyphs against published end values, and the properties every method must have.

The 8-bit end values follow from the matrices of E. Dubois' notes (2009; seen in two public tables)
by IEC 61966-2-1 decoding, the matrix in linear light, clipping and encoding, worked out apart from this code.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from nearpair.colour.glasses import GLASSES, Glasses
from nearpair.colour.light import decode_srgb, encode_srgb
from nearpair.errors import NearpairError, PairError
from nearpair.outputs import anaglyph as module
from nearpair.outputs.anaglyph import MATRICES, anaglyph
from support.worked import WORKED


def _flat(colour, dtype=np.uint8, shape=(3, 5)):
    return np.full((*shape, 3), colour, dtype)


@pytest.mark.parametrize(("glasses", "left", "right", "expected"), WORKED)
def test_least_squares_end_to_end(glasses, left, right, expected):
    made = anaglyph(_flat(left), _flat(right), GLASSES[glasses], "least-squares")
    np.testing.assert_array_equal(made, _flat(expected))


@pytest.mark.parametrize("glasses", ["red-cyan", "green-magenta", "amber-blue"])
@pytest.mark.parametrize("method", MATRICES)
def test_white_stays_white_in_every_channel(glasses, method):
    matrix = MATRICES[method](GLASSES[glasses])
    assert matrix.shape == (3, 6)
    np.testing.assert_allclose(matrix.sum(axis=1), 1, atol=0.002)


def test_colour_takes_each_eyes_own_channels():
    left, right = _flat((10, 20, 30)), _flat((40, 50, 60))
    made = {name: tuple(anaglyph(left, right, g, "colour")[0, 0]) for name, g in GLASSES.items()}
    assert made == {
        "red-cyan": (10, 50, 60),
        "green-magenta": (40, 20, 60),
        "amber-blue": (10, 20, 60),
        "red-blue": (10, 0, 60),
    }


def test_grey_methods_use_luminance_in_linear_light():
    # Relative luminance of (255, 128, 0) is 0.36698 (WCAG 2 relative luminance, from the sRGB curve).
    orange = _flat((255, 128, 0))
    expected = round(255 * (1.055 * 0.36698 ** (1 / 2.4) - 0.055))
    assert tuple(anaglyph(orange, orange, GLASSES["red-cyan"], "grey")[0, 0]) == (expected,) * 3
    assert tuple(anaglyph(orange, orange, GLASSES["red-cyan"], "half-colour")[0, 0]) == (expected, 128, 0)
    assert tuple(anaglyph(orange, orange, GLASSES["amber-blue"], "half-colour")[0, 0]) == (255, 128, expected)


@settings(deadline=None, max_examples=25)
@given(
    arrays(np.uint16, (4, 6, 3), elements=st.integers(0, 65535)),
    arrays(np.uint16, (4, 6, 3), elements=st.integers(0, 65535)),
    st.sampled_from(sorted(MATRICES)),
)
def test_sixteen_bit_equals_the_formula_and_inputs_stay(left, right, method):
    kept = left.copy(), right.copy()
    both = np.concatenate([decode_srgb(left), decode_srgb(right)], axis=2).astype(np.float64)
    expected = encode_srgb((both @ MATRICES[method](GLASSES["red-cyan"]).T).astype(np.float32), np.uint16)
    made = anaglyph(left, right, GLASSES["red-cyan"], method)
    assert made.dtype == np.uint16
    # near black the curve's slope is 12.92: a float32 rounding of the sum may fall on the next code
    assert np.abs(made.astype(int) - expected.astype(int)).max() <= 1
    np.testing.assert_array_equal(left, kept[0])
    np.testing.assert_array_equal(right, kept[1])


def test_same_bytes_whatever_the_threads(monkeypatch):
    rng = np.random.default_rng(5)
    left, right = rng.integers(0, 256, (2, 700, 1100, 3), dtype=np.uint8)
    made = []
    for threads in (1, 2, 5):
        monkeypatch.setattr(module.os, "cpu_count", lambda count=threads: count)
        made.append([anaglyph(left, right, GLASSES["red-cyan"], m).tobytes() for m in ("cielab", "matched")])
    assert made[0] == made[1] == made[2]


def test_views_into_a_larger_picture_and_single_columns_work():
    wide = np.random.default_rng(2).integers(0, 256, (9, 40, 3), dtype=np.uint8)
    left, right = wide[:, 1:8], wide[:, 20:27]
    assert not left.flags.c_contiguous
    whole = anaglyph(left, right, GLASSES["red-cyan"], "least-squares")
    column = anaglyph(left[:, :1], right[:, :1], GLASSES["red-cyan"], "least-squares")
    np.testing.assert_array_equal(whole[:, :1], column)


def test_refusals_say_what_to_do():
    grey = _flat((128, 128, 128))
    with pytest.raises(NearpairError, match=r"method must be one of colour, half-colour.*'color'"):
        anaglyph(grey, grey, GLASSES["red-cyan"], "color")
    bare = Glasses("unmeasured", (0,), (1, 2), None)
    with pytest.raises(NearpairError, match=r"unmeasured glasses have none\. Choose colour"):
        anaglyph(grey, grey, bare, "least-squares")
    with pytest.raises(
        NearpairError, match=r"method matched must know what passes the filters of unmeasured"
    ):
        anaglyph(grey, grey, bare, "matched")
    with pytest.raises(PairError, match="must be alike"):
        anaglyph(grey, grey[:, 1:], GLASSES["red-cyan"], "colour")
    with pytest.raises(PairError, match=r"shape \(height, width, 3\), found shape \(3, 5\)"):
        anaglyph(grey[..., 0], grey[..., 0], GLASSES["red-cyan"], "colour")
    with pytest.raises(PairError, match="8 or 16 bits a channel, found float32"):
        anaglyph(grey.astype(np.float32), grey, GLASSES["red-cyan"], "colour")


def test_mixing_tells_how_far_it_is_and_ends_when_it_is_told_to():
    pair = np.zeros((9, 1 << 18, 3), np.uint8)
    heard = []
    anaglyph(pair, pair, GLASSES["red-cyan"], "grey", lambda *told: heard.append(told))
    assert heard == [("mixing by grey", done, 9) for done in range(10)]

    def stop(what, done, total):
        if done == 1:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        anaglyph(pair, pair, GLASSES["red-cyan"], "grey", stop)
