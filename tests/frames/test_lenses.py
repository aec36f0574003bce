"""Lenses by name, against the database itself (lensfunpy, with lensfun's profiles)."""

import sys

import lensfunpy
import numpy as np
import pytest

from nearpair.frames.lenses import Known, Unknown, profile_of
from nearpair.frames.metadata import FrameInfo

SIZE = (400, 600)


def frame(make=None, model=None, lens=None, focal=None, focal_35=None, size=SIZE):
    known = dict.fromkeys(FrameInfo.__dataclass_fields__)
    given = {"make": make, "model": model, "lens": lens, "focal_length_mm": focal, "size_px": size}
    return FrameInfo(**{**known, **given, "focal_length_35mm": focal_35, "path": None})


def lenses(model, size=SIZE):
    """Rectilinear lenses of the database with one model of distortion, each with its camera's crop factor."""
    some = []
    for lens in lensfunpy.Database().lenses:
        found = lens.calib_distortion
        if found and found[0].model.name == model and any(found[0].terms) and lens.type.name == "RECTILINEAR":
            some.append(lens)
    return some[:: max(1, len(some) // 25)]


@pytest.mark.parametrize("model", ["POLY3", "PTLENS"])
@pytest.mark.parametrize("size", [SIZE, (450, 600), (600, 400)])
def test_the_formula_puts_points_where_the_library_does(model, size):
    checked = 0
    for lens in lenses(model):
        focal, crop = lens.calib_distortion[0].focal, lens.crop_factor
        found = profile_of(frame(focal=focal, focal_35=focal * crop, size=size), f"{lens.maker} {lens.model}")
        if isinstance(found, Unknown):  # another lens has these words as well, or this one is off centre
            continue
        modifier = lensfunpy.Modifier(lens, lens.crop_factor, size[1], size[0])
        modifier.initialize(focal, 8.0, 1000.0, scale=1.0, flags=lensfunpy.ModifyFlags.DISTORTION)
        # whole rows are reckoned faster there and less exactly: up to 0.07 px off at this size
        for x, y in [(0, 0), (size[1] - 1, 3), (40, 130), (300, 10), (210, 390)]:
            theirs = modifier.apply_geometry_distortion(x, y, 1, 1)[0, 0]
            ours = found.distortion.bent(np.array([x, y], float), size)
            assert np.max(np.abs(ours - theirs)) < 0.02
        checked += 1
    assert checked >= 10


@pytest.mark.parametrize(
    ("make", "model", "written", "focal", "name"),
    [
        (
            "Canon",
            "Canon EOS 5D Mark III",
            "EF100mm f/2.8L Macro IS USM",
            100.0,
            "EF 100mm f/2.8L Macro IS USM",
        ),
        ("SONY", "ILCE-7RM3", "FE 90mm F2.8 Macro G OSS", 90.0, "FE 90mm f/2.8 Macro G OSS"),
        ("FUJIFILM", "X-T2", "XF60mmF2.4 R Macro", 60.0, "XF60mmF2.4 R Macro"),
        ("Panasonic", "DMC-GX8", "LUMIX G MACRO 30/F2.8", 30.0, "Lumix G Macro 30mm f/2.8"),
    ],
)
def test_lenses_as_cameras_write_them(make, model, written, focal, name):
    found = profile_of(frame(make, model, written, focal))
    assert isinstance(found, Known)
    assert found.name.endswith(name)


def test_the_profile_of_the_sensor_at_hand_is_taken():
    """One lens was measured on two sizes of sensor; terms as in the database."""
    full = profile_of(frame("Canon", "Canon EOS 5D Mark III", "EF100mm f/2.8L Macro IS USM", 100.0))
    small = profile_of(frame("Canon", "Canon EOS 70D", "EF100mm f/2.8L Macro IS USM", 100.0))
    assert full.distortion.terms == pytest.approx((0.00406, -0.01754, 0.02944), abs=1e-6)
    assert small.distortion.terms == pytest.approx((0.00804, -0.0341, 0.04884), abs=1e-6)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"lens": None}, "do not say which lens"),
        ({"lens": "DO Macro 60mm", "focal": 60.0, "focal_35": 90.0}, 'has no "DO Macro 60mm"'),
        ({"lens": "EF100mm f/2.8L Macro IS USM", "focal": 100.0}, "size of the sensor is not known"),
        ({"lens": "Macro", "focal": 100.0, "focal_35": 100.0}, "several that fit"),
        ({"lens": "EF100mm f/2.8L Macro IS USM", "focal": 60.0, "focal_35": 60.0}, "but not at 60 mm"),
    ],
)
def test_what_is_not_known_is_said(given, said):
    found = profile_of(frame(**given))
    assert isinstance(found, Unknown)
    assert said in found.reason
    assert found.remedy


def test_without_the_library(monkeypatch):
    monkeypatch.setitem(sys.modules, "lensfunpy", None)
    found = profile_of(frame(lens="DO Macro 60mm"))
    assert found.reason == "The database of lenses is not installed."
    assert "nearpair[lens]" in found.remedy
