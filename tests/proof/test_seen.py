"""What the viewer meets: spread of parallax, crowded sides, scale and roundness."""

import numpy as np
import pytest
from msgspec.structs import replace

from nearpair.optics.viewing import Viewing, px_to_arcmin
from nearpair.proof.model import Length, Metric
from nearpair.proof.relief_words import relief_words
from nearpair.proof.seen import crowded, histogram, seen
from nearpair.proof.spread import chart


def test_the_histogram_holds_every_known_pixel_where_it_lies(lab):
    viewing = Viewing(200, 600)
    parallax = lab.layered_parallax(near=-6, far=10)
    parallax[:20] = np.nan
    found = histogram(parallax, viewing)
    assert sum(found.shares) == pytest.approx(1)
    edges = found.first_arcmin + found.step_arcmin * np.arange(len(found.shares) + 1)
    for px, share in ((-6, 80 * 120 / (180 * 320)), (10, 1 - 80 * 120 / (180 * 320))):
        at = np.searchsorted(edges, px_to_arcmin(viewing, px, lab.width), side="right") - 1
        assert sum(found.shares[max(0, at - 1) : at + 2]) == pytest.approx(share)
    assert histogram(np.full((4, 4), np.nan, np.float32), viewing) is None


def test_only_what_stands_in_front_of_the_window_crowds_the_sides():
    parallax = np.full((100, 400), 5.0, np.float32)
    assert crowded(parallax) == 0
    parallax[:, 100:300] = -20
    assert crowded(parallax) == 0
    parallax[:, :40] = -20
    assert crowded(parallax) == pytest.approx(0.5)


def test_in_life_size_from_where_the_camera_stood_and_with_the_eyes_base_all_is_round(lab, proof):
    """Elementary geometry: then the eyes get the very rays that the lenses got."""
    viewing, away, deep = Viewing(200, 600), 600.0, 40.0
    per_px = 200 / lab.width
    far_px = 63 * deep / (away + deep) / per_px  # p = e·dz/(u + dz)
    depth = replace(proof.depth, near_px=0.0, far_px=far_px)
    base = Length(used_mm=63.0, error_mm=0.1)
    metric = Metric(base=base, range_mm=deep, window_mm_per_px=per_px)
    found = seen(lab.layered_parallax(), depth, viewing, metric, lab.mounting())
    assert found.roundness == pytest.approx(1)
    assert found.seen_larger == pytest.approx(1)
    half = seen(lab.layered_parallax(), depth, viewing, metric, lab.mounting(base_share=0.5))
    assert half.seen_larger == pytest.approx(2)


def test_bars_beyond_one_degree_are_marked(lab):
    from nearpair.proof.assemble import assemble

    far = assemble(lab.make_inputs(lab.layered_parallax(near=-6, far=24)))
    assert far.comfort.far_arcmin > 60
    drawn = chart(far)
    assert {bar.outside for bar in drawn.bars if bar.height > 50} == {True}
    assert [mark.label for mark in drawn.marks] == ["-60", "window", "+60"]


def test_the_relief_is_told_in_words(proof):
    text = " ".join(relief_words(proof))
    assert f"{proof.depth.relief.score:.0f} of 100" in text
    assert f"{proof.depth.relief.acuity_steps:.0f} times the smallest step of depth" in text
    assert "contour" in text
    unknown = replace(proof.depth.relief, score=None)
    assert (
        "could not be measured" in relief_words(replace(proof, depth=replace(proof.depth, relief=unknown)))[0]
    )
