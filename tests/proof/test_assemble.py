"""The whole proof of a pair whose measures are known."""

import numpy as np
import pytest

from nearpair.errors import PairError
from nearpair.proof.assemble import assemble
from nearpair.proof.model import encode


def test_the_measures_of_a_known_pair(proof, lab):
    assert (proof.picture.width_px, proof.picture.height_px) == (lab.width, lab.height)
    assert (proof.depth.near_px, proof.depth.far_px) == (-6, 10)
    assert proof.depth.deviation_fraction_of_width == pytest.approx(16 / lab.width)
    assert proof.capture.exposure_stops == pytest.approx(0, abs=0.02)
    assert proof.comfort.within
    assert proof.edges.left.share == proof.edges.right.share == 0


def test_same_inputs_same_bytes_and_inputs_stay(lab):
    inputs = lab.make_inputs()
    kept = [array.copy() for array in (inputs.left, inputs.right, inputs.anaglyph, inputs.parallax)]
    assert encode(assemble(inputs)) == encode(assemble(inputs))
    for before, after in zip(
        kept, (inputs.left, inputs.right, inputs.anaglyph, inputs.parallax), strict=True
    ):
        np.testing.assert_array_equal(before, after)


def test_sixteen_bit_pictures_give_the_same_measures(lab):
    parallax = lab.layered_parallax()
    left, right = lab.shifted_pair(parallax)
    wide = (left.astype(np.uint16) * 257, right.astype(np.uint16) * 257)
    eight, sixteen = assemble(lab.make_inputs(parallax)), assemble(lab.make_inputs(parallax, views=wide))
    assert sixteen.depth.relief == eight.depth.relief
    assert sixteen.colour.rivalry.rivalry_share == pytest.approx(
        eight.colour.rivalry.rivalry_share, abs=0.005
    )


@pytest.mark.parametrize("name", ["left", "right", "anaglyph"])
def test_sizes_must_agree(lab, name):
    with pytest.raises(PairError, match=rf"{name} must have shape \(200, 320, 3\) like the parallax map"):
        assemble(lab.make_inputs(**{name: np.zeros((200, 319, 3), np.uint8)}))
