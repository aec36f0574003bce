import io
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
import tifffile
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from PIL import Image

from nearpair.errors import FrameError
from nearpair.frames import (
    FrameInfo,
    read_info,
    read_pixels,
    read_profile,
    read_tiff,
    srgb_profile,
    write_float_tiff,
    write_jpeg,
    write_png,
    write_tiff,
)
from nearpair.frames.write import read_tiff_part
from nearpair.frames.xmp import xmp_packet

INFO = FrameInfo(
    path=Path("DSC_0042.JPG"),
    size_px=(37, 53),
    orientation=1,
    bits=8,
    camera='Demo "Optics" <DO-24>',
    lens="DO Macro 60mm & tube",
    captured_s=1716026634.07,
    file_number=42,
    focal_length_mm=60.0,
    focal_length_35mm=92.0,
    f_number=5.6,
    exposure_s=1 / 13,
    iso=200,
    focus_distance_mm=214.0,
    bytes=1,
    format="JPEG",
    make='Demo "Optics"',
    model="<DO-24>",
)
NAMES = {
    "tiff": "http://ns.adobe.com/tiff/1.0/",
    "exif": "http://ns.adobe.com/exif/1.0/",
    "exifEX": "http://cipa.jp/exif/1.0/",
    "rdf": "http://www.w3.org/1999/02/22-rdf-syntax-ns#",
}


@pytest.mark.parametrize("depth", [np.uint8, np.uint16])
def test_a_view_read_by_other_libraries(tmp_path, texture, depth):
    path = tmp_path / "view.tif"
    view = texture.astype(depth) * (257 if depth is np.uint16 else 1)
    write_tiff(path, view, srgb_profile(), INFO, pixels_per_inch=300)
    assert np.array_equal(tifffile.imread(path), view)
    assert np.array_equal(cv2.imread(str(path), cv2.IMREAD_UNCHANGED)[..., ::-1], view)
    assert np.array_equal(read_tiff(path), view)
    assert np.array_equal(read_tiff_part(path, (3, 5, 6, 7)), view[5:12, 3:9])
    with pytest.raises(FrameError, match="smaller than it should be"):
        read_tiff_part(path, (30, 60, 5000, 70))
    assert np.array_equal(read_pixels(read_info(path)), view)
    assert read_profile(path) == srgb_profile()
    with tifffile.TiffFile(path) as tif:
        tags = {name: tif.pages[0].tags[name].value for name in ("Make", "Model", "DateTime", "Software")}
        assert tif.pages[0].tags["XResolution"].value == (300, 1)
    software = tags.pop("Software")
    assert software.startswith("nearpair ")
    assert tags == {"Make": 'Demo "Optics"', "Model": "<DO-24>", "DateTime": "2024:05:18 10:03:54"}


def test_the_eight_bit_view_as_pillow_sees_it(tmp_path, texture):
    write_tiff(tmp_path / "view.tif", texture, srgb_profile(), INFO, pixels_per_inch=300)
    with Image.open(tmp_path / "view.tif") as image:
        assert np.array_equal(np.asarray(image), texture)
        assert image.info["dpi"] == (300, 300)
        assert image.info["icc_profile"] == srgb_profile()
        assert b"<x:xmpmeta" in image.tag_v2[700]


def test_xmp_packet():
    """Forms: exposure values as "numerator/denominator", ISO as an ordered list (XMP part 2, section 2.4)."""
    packet = xmp_packet(INFO, "nearpair 1")
    assert packet.startswith(b'<?xpacket begin="\xef\xbb\xbf" id="W5M0MpCehiHzreSzNTczkc9d"?>')
    assert packet.endswith(b'<?xpacket end="w"?>')
    description = ET.fromstring(packet.decode()).find(".//rdf:Description", NAMES)  # noqa: S314 - our own bytes
    assert description is not None
    assert description.get(f"{{{NAMES['tiff']}}}Make") == 'Demo "Optics"'
    assert description.get(f"{{{NAMES['exifEX']}}}LensModel") == "DO Macro 60mm & tube"
    names = ("FNumber", "ExposureTime", "FocalLength", "SubjectDistance", "DateTimeOriginal")
    found = {name: description.get(f"{{{NAMES['exif']}}}{name}") for name in names}
    assert found == {
        "FNumber": "28/5",
        "ExposureTime": "1/13",
        "FocalLength": "60/1",
        "SubjectDistance": "107/500",
        "DateTimeOriginal": "2024-05-18T10:03:54.070",
    }
    assert [item.text for item in description.iterfind("exif:ISOSpeedRatings/rdf:Seq/rdf:li", NAMES)] == [
        "200"
    ]


def test_xmp_packet_of_a_frame_that_says_nothing():
    fields = (
        "camera",
        "lens",
        "captured_s",
        "focal_length_mm",
        "focal_length_35mm",
        "f_number",
        "exposure_s",
    )
    nothing = dict.fromkeys((*fields, "iso", "focus_distance_mm", "make", "model"))
    silent, absent = xmp_packet(replace(INFO, **nothing), "nearpair 1"), xmp_packet(None, "nearpair 1")
    assert silent == absent
    assert b"CreatorTool" in absent
    assert b"exif:F" not in absent


def test_metadata_of_the_view_are_read_again(tmp_path, texture):
    write_tiff(tmp_path / "view.tif", texture, None, INFO)
    again = read_info(tmp_path / "view.tif")
    assert (again.make, again.model, again.captured_s) == (INFO.make, INFO.model, 1716026634.0)
    write_tiff(tmp_path / "view.tif", texture, None, replace(INFO, make=None, model=None, camera="Köln 1"))
    assert read_info(tmp_path / "view.tif").camera == "K?ln 1"  # TIFF text is 7-bit ASCII; XMP keeps the ö


@given(arrays(np.float32, st.tuples(st.integers(1, 70), st.integers(1, 9))))
@settings(deadline=None, max_examples=40)
def test_float_maps_keep_every_value(tmp_path_factory, plane):
    path = tmp_path_factory.mktemp("float") / "focus.tif"
    write_float_tiff(path, plane)
    assert np.array_equal(read_tiff(path), plane, equal_nan=True)
    rows, columns = plane.shape
    part = (columns // 3, rows // 2, columns - columns // 3, rows - rows // 2)
    assert np.array_equal(read_tiff_part(path, part), plane[rows // 2 :, columns // 3 :], equal_nan=True)
    assert np.array_equal(tifffile.imread(path).reshape(plane.shape), plane, equal_nan=True)


def test_float_map_in_a_library_of_its_own_decoder(tmp_path):
    plane = np.random.default_rng(2).normal(size=(150, 40)).astype(np.float32)
    plane[3:9] = np.nan
    write_float_tiff(tmp_path / "focus.tif", plane)
    assert np.array_equal(
        cv2.imread(str(tmp_path / "focus.tif"), cv2.IMREAD_UNCHANGED), plane, equal_nan=True
    )


def writers(texture):
    return {
        "a.tif": lambda path: write_tiff(path, texture, srgb_profile(), INFO),
        "b.tif": lambda path: write_float_tiff(path, texture[..., 0].astype(np.float32)),
        "c.jpg": lambda path: write_jpeg(path, texture, 90, srgb_profile(), 300),
        "d.png": lambda path: write_png(path, texture, srgb_profile(), 300),
    }


@pytest.mark.parametrize("name", ["a.tif", "b.tif", "c.jpg", "d.png"])
def test_the_same_bytes_every_time(tmp_path, texture, name, monkeypatch):
    write = writers(texture)[name]
    write(tmp_path / name)
    first = (tmp_path / name).read_bytes()
    monkeypatch.setenv("TIFFFILE_NUM_THREADS", "1")
    monkeypatch.setattr("time.time", lambda: 4e9)
    write(tmp_path / name)
    assert (tmp_path / name).read_bytes() == first


def test_jpeg_keeps_colour_sharp_and_carries_its_profile(tmp_path):
    """Neighbouring columns of pure red and cyan: halved chroma would mix them."""
    stripes = np.zeros((32, 32, 3), np.uint8)
    stripes[:, ::2, 0] = 200
    stripes[:, 1::2, 1:] = 200
    path = tmp_path / "a.jpg"
    write_jpeg(path, stripes, 97, srgb_profile(), 300)
    with Image.open(path) as image:
        assert np.abs(np.asarray(image).astype(int) - stripes).max() < 30
        assert (image.info["dpi"], image.info["icc_profile"]) == ((300, 300), srgb_profile())
        whole = path.stat().st_size
    write_jpeg(path, stripes, 97, subsampling="4:2:0")
    assert np.abs(read_pixels(read_info(path)).astype(int) - stripes).max() > 60
    assert path.stat().st_size < whole


def test_jpeg_quality_and_grey(tmp_path, texture):
    sizes = []
    for quality in (40, 90):
        write_jpeg(tmp_path / "a.jpg", texture[..., 0], quality)
        sizes.append((tmp_path / "a.jpg").stat().st_size)
    assert sizes[0] < sizes[1]
    assert Image.open(io.BytesIO((tmp_path / "a.jpg").read_bytes())).mode == "L"


def test_png_is_exact(tmp_path, texture):
    for picture in (texture, texture[..., 0]):
        write_png(tmp_path / "a.png", picture, pixels_per_inch=254)
        with Image.open(tmp_path / "a.png") as image:
            assert np.array_equal(np.asarray(image), picture)
            assert image.info["dpi"] == pytest.approx((254, 254), abs=0.01)


def test_a_jpeg_that_would_be_too_long(tmp_path):
    with pytest.raises(FrameError, match="at most 65500 on a side"):
        write_jpeg(tmp_path / "a.jpg", np.zeros((1, 65501), np.uint8))
    assert not (tmp_path / "a.jpg").exists()


@pytest.mark.parametrize(
    "call",
    [
        lambda path: write_tiff(path, np.zeros((4, 4, 3), np.float32)),
        lambda path: write_tiff(path, np.zeros((4, 4), np.uint8)),
        lambda path: write_tiff(path, np.zeros((4, 0, 3), np.uint8)),
        lambda path: write_float_tiff(path, np.zeros((4, 4), np.float64)),
        lambda path: write_jpeg(path, np.zeros((4, 4, 3), np.uint16)),
        lambda path: write_png(path, np.zeros((4, 4, 2), np.uint8)),
    ],
)
def test_a_callers_mistakes(tmp_path, call):
    with pytest.raises(ValueError, match=r"expected .* dimensions, got"):
        call(tmp_path / "x")
    assert not (tmp_path / "x").exists()


def test_inputs_in_any_memory_order_stay_unchanged(tmp_path, texture):
    turned = texture.swapaxes(0, 1)[::-1]
    before = turned.copy()
    write_tiff(tmp_path / "a.tif", turned)
    write_png(tmp_path / "a.png", turned)
    assert np.array_equal(read_tiff(tmp_path / "a.tif"), before)
    assert np.array_equal(read_pixels(read_info(tmp_path / "a.png")), before)
    assert np.array_equal(turned, before)


@pytest.mark.parametrize("content", [None, b"", b"II*\0\x08\0\0\0", b"\x89PNG\r\n\x1a\n", b"junk"])
def test_maps_that_cannot_be_read(tmp_path, content):
    if content is not None:
        (tmp_path / "x.tif").write_bytes(content)
    with pytest.raises(FrameError, match=r"x\.tif"):
        read_tiff(tmp_path / "x.tif")
    with pytest.raises(FrameError, match=r"x\.tif"):
        read_tiff_part(tmp_path / "x.tif", (0, 0, 1, 1))


def test_maps_cut_short(tmp_path):
    write_float_tiff(tmp_path / "x.tif", np.ones((300, 40), np.float32).cumsum(0, dtype=np.float32))
    data = (tmp_path / "x.tif").read_bytes()
    for length in (*range(0, len(data), len(data) // 40), *range(len(data) - 9, len(data))):
        (tmp_path / "x.tif").write_bytes(data[:length])
        with pytest.raises(FrameError):
            read_tiff(tmp_path / "x.tif")
