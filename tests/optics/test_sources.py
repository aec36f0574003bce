"""Every number from the literature says where it comes from."""

import re

import pytest

from nearpair.optics import sources

CONSTANTS = {name: value for name, value in vars(sources).items() if isinstance(value, sources.Constant)}


def test_there_are_constants():
    assert len(CONSTANTS) >= 10


@pytest.mark.parametrize("name", CONSTANTS)
def test_source_and_edition_are_given(name):
    constant = CONSTANTS[name]
    assert len(constant.source) > 10
    if constant.status == "common practice":
        assert constant.year is None
        assert "no source" in constant.source
    else:
        assert 1900 < constant.year <= 2100
        assert re.search(r"[A-Z]\. ", constant.source), "an author's name"


@pytest.mark.parametrize(
    "name", [name for name in CONSTANTS if name.endswith(("_MM", "_UM", "_DPT", "_ARCMIN"))]
)
def test_the_name_tells_the_unit(name):
    assert name.rsplit("_", 1)[1].lower() == CONSTANTS[name].unit


# Dodgson (2004), abstract: mean 63 mm, most adults 50 to 75, nearly all 45 to 80, children from 40
def test_pupil_distances():
    assert sources.EYES_MEAN_MM.value == 63
    assert sources.EYES_SMALLEST_ADULT_MM.value == 50
    assert sources.EYES_SMALLEST_CHILD_MM.value == 40
    assert sources.EYES_LARGEST_MM.value == 80
