"""Raw frames: small DNG files of scenes whose colours are known, developed, against the standards."""

import io
import struct
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from nearpair.errors import FrameError
from nearpair.frames import is_srgb, read_info, read_pixels, read_profile, read_small, srgb_profile
from nearpair.frames.cr3 import cr3_exif
from nearpair.frames.exif import ExifFields
from nearpair.frames.raw import _completed, _exif, develop
from nearpair.frames.read import oriented
from support.dng import encoded, write_dng

from .conftest import directory, exif_block

CAMERA = {
    0x829A: ("rational", (1, 13)),
    0x829D: ("rational", (56, 10)),
    0x8827: ("short", 200),
    0x9003: ("ascii", "2024:05:18 10:03:54"),
    0x9206: ("rational", (214, 1000)),
    0x920A: ("rational", (60, 1)),
    0x9291: ("ascii", "07"),
    0xA434: ("ascii", "DO Macro 60mm"),
}
BLOCK_PX = 24


@pytest.fixture
def colours():
    """A (4, 6, 3) chart in linear light, none of it black or clipped."""
    return np.random.default_rng(5).uniform(0.01, 0.95, (4, 6, 3))


@pytest.fixture
def scene(colours):
    return np.kron(colours, np.ones((BLOCK_PX, BLOCK_PX, 1)))


def middles(pixels):
    return pixels[BLOCK_PX // 2 :: BLOCK_PX, BLOCK_PX // 2 :: BLOCK_PX]


def test_colours_are_those_of_the_scene(tmp_path, scene, colours):
    """The camera's matrix is the inverse of sRGB's and its grey is not grey: both have to be undone.

    Expected: DNG 1.4, chapter 6 (camera to XYZ to the output's primaries, white balance by AsShotNeutral),
    and the curve of IEC 61966-2-1. Tolerance 0.1 % of white: sensor steps of 1/8000 and more of it.
    """
    info = read_info(write_dng(tmp_path / "DSC_0007.DNG", scene))
    assert (info.format, info.bits, info.size_px, info.file_number) == ("RAW", 16, (96, 144), 7)
    found = read_pixels(info)
    assert (found.dtype, found.flags.c_contiguous) == (np.uint16, True)
    assert np.abs(middles(found) / 65535 - encoded(colours)).max() < 0.001


def test_brightness_does_not_depend_on_what_else_is_in_the_frame(tmp_path, scene):
    """Else the frames of a stack would flicker: a dark frame is not stretched, nor one with a glint."""
    dark = scene * 0.2
    glint = dark.copy()
    glint[:BLOCK_PX, :BLOCK_PX] = 1.0
    plain, beside = (
        middles(read_pixels(read_info(write_dng(tmp_path / f"{number}.dng", linear))))
        for number, linear in enumerate((dark, glint))
    )
    assert np.array_equal(plain[2:, 2:], beside[2:, 2:])
    assert np.all(beside[0, 0] >= 65500)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_orientation_from_the_file(tmp_path, scene, orientation):
    """All eight (TIFF 6.0, tag 274): as the first of the same scene, turned."""
    first = read_pixels(read_info(write_dng(tmp_path / "first.dng", scene)))
    info = read_info(write_dng(tmp_path / "turned.dng", scene, orientation))
    assert info.orientation == orientation
    assert np.array_equal(read_pixels(info), oriented(first, orientation))
    assert info.size_px == oriented(first, orientation).shape[:2]


def test_what_the_camera_wrote(tmp_path, scene):
    exif = directory(CAMERA, 0, "<")
    info = read_info(write_dng(tmp_path / "a.dng", scene, exif=exif))
    assert (info.camera, info.lens, info.iso) == ("Demo Optics DO-24", "DO Macro 60mm", 200)
    assert (info.focal_length_mm, info.f_number) == (60.0, 5.6)
    assert info.exposure_s == pytest.approx(1 / 13)
    assert info.focus_distance_mm == pytest.approx(214.0)
    assert info.captured_s == pytest.approx(19861 * 86400 + 10 * 3600 + 3 * 60 + 54.07, abs=1e-6)


def test_tags_of_the_first_directory_are_found_by_libraw(tmp_path, scene):
    """TIFF/EP (ISO 12234-2) has them there instead of in an EXIF directory: the library fills them in."""
    tags = {33434: ("2I", 1, (1, 50)), 33437: ("2I", 1, (8, 1)), 37386: ("2I", 1, (105, 1))}
    info = read_info(write_dng(tmp_path / "a.dng", scene, tags=tags))
    assert info.exposure_s == pytest.approx(1 / 50)
    assert (info.f_number, info.focal_length_mm) == (8.0, 105.0)
    assert (info.lens, info.iso, info.captured_s) == (None, None, None)


def test_the_profile_is_srgb(tmp_path, scene):
    path = write_dng(tmp_path / "a.dng", scene)
    assert read_profile(path) == srgb_profile()
    assert is_srgb(read_profile(path))


@pytest.mark.parametrize("orientation", [1, 6])
@pytest.mark.parametrize("factor", [1, 2, 3, 4, 8])
def test_small_is_close_to_the_mean_of_the_full_picture(tmp_path, scene, factor, orientation):
    """Away from the edges of the chart, where half the mosaic and demosaicing differ."""
    info = read_info(write_dng(tmp_path / "a.dng", scene, orientation))
    height, width = (size // factor for size in info.size_px)
    full = read_pixels(info)[: height * factor, : width * factor].astype(float) / 257
    blocks = full.reshape(height, factor, width, factor, 3).mean(axis=(1, 3)) @ [0.299, 0.587, 0.114]
    small = read_small(info, factor)
    assert (small.shape, small.dtype) == ((height, width), np.uint8)
    step = BLOCK_PX // factor
    assert np.abs((small - blocks)[step // 2 :: step, step // 2 :: step]).max() <= 1


def test_small_of_an_odd_size(tmp_path, scene):
    info = read_info(write_dng(tmp_path / "a.dng", scene[:95, :143]))
    assert read_small(info, 2).shape == (47, 71)


def test_a_truncated_file_is_refused_at_every_length(tmp_path, scene):
    path = write_dng(tmp_path / "a.dng", scene, exif=directory(CAMERA, 0, "<"))
    data, info = path.read_bytes(), read_info(path)
    with tifffile.TiffFile(path) as tif:
        end = tif.pages[0].dataoffsets[-1] + tif.pages[0].databytecounts[-1]
    for length in sorted({*range(0, end, end // 60), *range(end - 20, end)}):
        path.write_bytes(data[:length])
        with pytest.raises(FrameError, match=r"damaged|cut short|empty|cannot be read"):
            read_info(path)
        with pytest.raises(FrameError, match=r"damaged|cut short|cannot be read"):
            read_pixels(info)
        with pytest.raises(FrameError, match=r"damaged|cut short|cannot be read"):
            read_small(info, 2)


@given(st.data())
@settings(deadline=None, max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_flipped_byte_gives_anything_but_pixels_or_a_refusal(tmp_path, scene, data):
    content = bytearray(write_dng(tmp_path / "a.dng", scene[:48, :48]).read_bytes())
    for _ in range(data.draw(st.integers(1, 3))):
        content[data.draw(st.integers(0, 600))] = data.draw(st.integers(0, 255))
    (tmp_path / "a.dng").write_bytes(content)
    try:
        info = read_info(tmp_path / "a.dng")
        found = read_pixels(info)
    except FrameError:
        return
    assert found.shape == (*info.size_px, 3)


def test_a_file_that_changed_meanwhile(tmp_path, scene):
    info = read_info(write_dng(tmp_path / "a.dng", scene))
    with pytest.raises(FrameError, match="but its header gave"):
        read_pixels(replace(info, size_px=(96, 142)))
    info.path.unlink()
    with pytest.raises(FrameError):
        read_pixels(info)


def test_a_claimed_size_that_is_too_large(tmp_path, scene):
    """ImageWidth and ImageLength (TIFF 6.0, tags 256 and 257) of 65000 each."""
    path = write_dng(tmp_path / "a.dng", scene)
    data = bytearray(path.read_bytes())
    with tifffile.TiffFile(path) as tif:
        places = [tif.pages[0].tags[tag].valueoffset for tag in (256, 257)]
    for place in places:
        struct.pack_into("<I", data, place, 65000)
    path.write_bytes(data)
    with pytest.raises(FrameError, match=r"megapixels; the limit is|damaged|cannot be read"):
        read_info(path)


def test_the_same_bytes_every_time(tmp_path, scene):
    path = write_dng(tmp_path / "a.dng", scene)
    assert np.array_equal(develop(path), develop(path))


def tiff(tags):
    """A TIFF block with one directory."""
    return b"II*\0\x08\0\0\0" + directory(tags, 8, "<")


def box(kind, content, long=False):
    """ISO/IEC 14496-12, section 4.2."""
    if long:
        return struct.pack(">I4sQ", 1, kind, len(content) + 16) + content
    return struct.pack(">I4s", len(content) + 8, kind) + content


def cr3_head(long=False):
    main = tiff({0x010F: ("ascii", "Demo Optics"), 0x0110: ("ascii", "DO-24"), 0x0112: ("short", 8)})
    owner = bytes.fromhex("85c0b687820f11e08111f4ce462b6a48")
    owned = owner + box(b"CNCV", b"1") + box(b"CMT1", main) + box(b"CMT2", tiff(CAMERA), long)
    return box(b"ftyp", b"crx \0\0\0\1") + box(b"moov", box(b"uuid", bytes(20)) + box(b"uuid", owned), long)


@pytest.mark.parametrize("long", [False, True])
def test_the_boxes_of_a_cr3_file(long):
    """No such file is at hand: boxes made by the standard, their names from memory (see the module)."""
    found = cr3_exif(cr3_head(long) + box(b"mdat", b"pixels"))
    assert (found.camera, found.lens, found.iso) == ("Demo Optics DO-24", "DO Macro 60mm", 200)
    assert found.captured_s == pytest.approx(19861 * 86400 + 10 * 3600 + 3 * 60 + 54.07, abs=1e-6)
    assert found.focus_distance_mm == pytest.approx(214.0)


@given(st.data())
@settings(deadline=None)
def test_broken_boxes_end(data):
    """Never a hang, never more than None."""
    head = bytearray(cr3_head())
    for _ in range(data.draw(st.integers(1, 6))):
        head[data.draw(st.integers(0, len(head) - 1))] = data.draw(st.integers(0, 255))
    found = cr3_exif(bytes(head[: data.draw(st.integers(0, len(head)))]))
    assert found.f_number is None or found.f_number > 0


@pytest.mark.parametrize("magic", [b"IIRO", b"IIRS", b"IIU\0"])
def test_exif_of_files_that_are_nearly_tiff(magic, tmp_path, scene):
    """ORF and RW2 differ from TIFF in the first bytes only (common practice, no source)."""
    data = write_dng(tmp_path / "a.dng", scene, exif=directory(CAMERA, 0, "<")).read_bytes()
    found = _exif(None, io.BytesIO(magic + data[4:]))
    assert (found.model, found.iso, found.lens) == ("DO-24", 200, "DO Macro 60mm")


def test_exif_from_the_jpeg_inside_where_there_is_no_other():
    """RAF and others: what LibRaw finds as the preview (its reading of those files is its own matter)."""
    buffer = io.BytesIO()
    Image.new("RGB", (16, 16)).save(buffer, "JPEG", exif=exif_block({}, CAMERA))
    raw = SimpleNamespace(extract_thumb=lambda: SimpleNamespace(data=buffer.getvalue()))
    assert _exif(raw, io.BytesIO(b"FUJIFILMCCD-RAW 0201")).focal_length_mm == 60.0
    bitmap = SimpleNamespace(extract_thumb=lambda: SimpleNamespace(data=np.zeros((4, 4, 3), np.uint8)))
    assert _exif(bitmap, io.BytesIO(b"FUJIFILMCCD-RAW 0201")).focal_length_mm is None


def test_libraw_is_asked_for_nothing_where_the_exif_has_a_time():
    """Its fields are to be had only after all pixels are unpacked: half a second a frame."""
    said = ExifFields(captured_s=86401.25, iso=200)
    assert _completed(said, None) is said
