import os
import struct
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import tifffile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from nearpair.errors import FrameError
from nearpair.frames import formats, read_info
from nearpair.frames.exif import from_block
from nearpair.frames.metadata import file_number

from .conftest import exif_block

MAIN = {0x010F: ("ascii", "Demo Optics"), 0x0110: ("ascii", "DO-24"), 0x0112: ("short", 6)}
CAMERA = {
    0x829A: ("rational", (1, 13)),
    0x829D: ("rational", (56, 10)),
    0x8827: ("short", 200),
    0x9003: ("ascii", "2024:05:18 10:03:54"),
    0x9010: ("ascii", "+09:00"),
    0x9206: ("rational", (214, 1000)),
    0x920A: ("rational", (60, 1)),
    0x9291: ("ascii", "07"),
    0xA405: ("short", 92),
    0xA434: ("ascii", "DO Macro 60mm"),
}


@pytest.mark.parametrize("order", ["<", ">"])
def test_every_field_of_an_exif_block(jpeg, order):
    """Tags, types and units: Exif 2.32 (CIPA DC-008-2019), section 4.6."""
    info = read_info(jpeg("DSC_0042.JPG", exif=exif_block(MAIN, CAMERA, order)))
    assert (info.camera, info.make, info.model, info.lens) == (
        "Demo Optics DO-24",
        "Demo Optics",
        "DO-24",
        "DO Macro 60mm",
    )
    assert (info.orientation, info.size_px, info.bits, info.format) == (6, (53, 37), 8, "JPEG")
    assert (info.focal_length_mm, info.focal_length_35mm, info.f_number, info.iso) == (60.0, 92.0, 5.6, 200)
    assert info.exposure_s == pytest.approx(1 / 13)
    assert info.focus_distance_mm == pytest.approx(214.0)
    assert info.file_number == 42
    # 2024-05-18 is day 19861 since 1970-01-01; the time zone of the camera is not applied
    assert info.captured_s == pytest.approx(19861 * 86400 + 10 * 3600 + 3 * 60 + 54.07, abs=1e-6)
    assert info.bytes == info.path.stat().st_size


def test_a_file_without_metadata(jpeg):
    info = read_info(jpeg("plain.jpg"))
    known = (info.path, info.size_px, info.orientation, info.bits, info.bytes, info.format)
    assert known == (info.path, (37, 53), 1, 8, info.path.stat().st_size, "JPEG")
    rest = (info.camera, info.lens, info.captured_s, info.file_number, info.focal_length_mm, info.f_number)
    assert set(rest) | {info.exposure_s, info.iso, info.focus_distance_mm, info.focal_length_35mm} == {None}


@pytest.mark.parametrize(
    ("make", "model", "camera"),
    [
        ("Demo Optics", "DO-24", "Demo Optics DO-24"),
        ("DEMO CORPORATION", "Demo D5", "Demo D5"),
        ("", "DO-24", "DO-24"),
        ("Demo", "", "Demo"),
        ("", "  ", None),
    ],
)
def test_the_name_of_the_camera(make, model, camera):
    assert from_block(exif_block({0x010F: ("ascii", make), 0x0110: ("ascii", model)})).camera == camera


@pytest.mark.parametrize(
    ("tag", "kind", "value", "field"),
    [
        (0x9206, "rational", (0, 1), "focus_distance_mm"),  # 0: distance unknown (Exif 2.32, tag 37382)
        (0x9206, "rational", (0xFFFFFFFF, 1), "focus_distance_mm"),  # FFFFFFFF: infinity (same place)
        (0x9206, "rational", (0xFFFFFFFF, 1000), "focus_distance_mm"),
        (0x9206, "rational", (65535, 1), "focus_distance_mm"),  # seen in files: common practice, no source
        (0x829D, "rational", (0, 0), "f_number"),
        (0x829D, "rational", (1, 0), "f_number"),
        (0x920A, "rational", (0, 10), "focal_length_mm"),
        (0x829A, "rational", (0, 1), "exposure_s"),
        (0xA405, "short", 0, "focal_length_35mm"),  # 0: unknown (tag 41989)
        (0x8827, "short", 0, "iso"),
        (0x8827, "short", 65535, "iso"),
        (0x9003, "ascii", "0000:00:00 00:00:00", "captured_s"),
        (0x9003, "ascii", "    :  :     :  :  ", "captured_s"),  # blank: unknown (tag 36867)
        (0x9003, "ascii", "yesterday", "captured_s"),
        (0xA434, "ascii", "----", "lens"),
    ],
)
def test_codes_for_unknown_become_none(tag, kind, value, field):
    assert getattr(from_block(exif_block({}, {tag: (kind, value)})), field) is None


def test_what_stands_elsewhere_is_found():
    """APEX: Av 5 is f/5.6, Tv 7 is 1/128 s (Exif 2.32, annex C); ISO above 65534: section 4.6.5."""
    apex = from_block(exif_block({}, {0x9202: ("rational", (5, 1)), 0x9201: ("rational", (7, 1))}))
    assert apex.f_number == pytest.approx(5.657, abs=1e-3)
    assert apex.exposure_s == pytest.approx(1 / 128)
    assert from_block(exif_block({}, {0x8827: ("short", 65535), 0x8833: ("long", 102400)})).iso == 102400
    written = from_block(exif_block({0x0132: ("ascii", "1970:01:02 00:00:01")}))
    assert written.captured_s == 86401.0


@given(st.integers(0, 59), st.text("0123456789", min_size=1, max_size=6))
@settings(deadline=None)
def test_sub_seconds_are_decimals(second, digits):
    camera = {0x9003: ("ascii", f"1970:01:01 00:00:{second:02}"), 0x9291: ("ascii", digits)}
    captured_s = from_block(exif_block({}, camera)).captured_s
    assert captured_s == pytest.approx(second + int(digits) / 10 ** len(digits), abs=1e-9)


@given(st.data())
@settings(deadline=None, max_examples=150)
def test_broken_exif_never_breaks_reading(data):
    block = bytearray(exif_block(MAIN, CAMERA, data.draw(st.sampled_from("<>"))))
    for _ in range(data.draw(st.integers(1, 8))):
        block[data.draw(st.integers(6, len(block) - 1))] = data.draw(st.integers(0, 255))
    fields = from_block(bytes(block[: data.draw(st.integers(7, len(block)))]))
    assert 1 <= fields.orientation <= 8
    for value in (fields.f_number, fields.exposure_s, fields.iso, fields.focus_distance_mm):
        assert value is None or 0 < value < float("inf")


@given(st.binary(min_size=1, max_size=300))
@settings(deadline=None, max_examples=50, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_random_exif_in_a_jpeg(jpeg, noise):
    info = read_info(jpeg("noise.jpg", exif=b"Exif\0\0" + noise))
    assert sorted(info.size_px) == [37, 53]


def test_exif_in_png_before_and_after_the_pixels(tmp_path, texture):
    """The eXIf chunk may stand on either side of the pixels (PNG, third edition, section 11.3.4.3)."""
    path = tmp_path / "f7.png"
    Image.fromarray(texture).save(path, exif=exif_block(MAIN, CAMERA))
    data = path.read_bytes()
    assert read_info(path).focal_length_mm == 60.0
    at = data.index(b"eXIf") - 4
    chunk = data[at : at + 12 + struct.unpack(">I", data[at : at + 4])[0]]
    rest = data.replace(chunk, b"")
    path.write_bytes(rest[:-12] + chunk + rest[-12:])
    assert (read_info(path).focal_length_mm, read_info(path).size_px) == (60.0, (53, 37))


@pytest.mark.parametrize("options", [{}, {"byteorder": ">"}, {"bigtiff": True}])
def test_orientation_and_bits_of_tiff(tmp_path, texture, options):
    path = tmp_path / "x.tif"
    tags = [(274, "H", 1, 8, True), (271, "s", 0, "Demo", True)]
    tifffile.imwrite(path, texture.astype(np.uint16) * 257, photometric="rgb", extratags=tags, **options)
    info = read_info(path)
    assert (info.orientation, info.size_px, info.bits, info.format) == (8, (53, 37), 16, "TIFF")
    assert info.camera == (None if options.get("bigtiff") else "Demo")


@pytest.mark.parametrize(
    ("name", "number"),
    [
        ("DSC_0042.JPG", 42),
        ("2024-05-18 3.tif", 3),
        ("scan.png", None),
        ("a1b22c.tiff", 22),
        ("9" * 40, None),
    ],
)
def test_file_number(name, number):
    assert file_number(Path(name)) == number


def refusal(path: Path) -> FrameError:
    with pytest.raises(FrameError) as caught:
        read_info(path)
    assert str(path) in caught.value.message
    assert caught.value.remedy
    return caught.value


@pytest.mark.parametrize(
    ("name", "content", "reason"),
    [
        ("empty.jpg", b"", "empty (0 bytes)"),
        ("notes.jpg", b"exposures of 8 May\n", "not a picture file"),
        ("half.jpg", b"\xff\xd8\xff\xe1", "damaged or cut short"),
        ("short.png", b"\x89PNG\r\n\x1a\n\0\0\0", "damaged or cut short"),
        ("short.tif", b"II*\0\x08\0\0\0", "damaged or cut short"),
        ("loop.tif", b"II*\0\x08\0\0\0\0\0\x08\0\0\0", "damaged or cut short"),
        ("IMG_1.HEIC", b"\0\0\0\x18ftypheic\0\0\0\0", "damaged or cut short"),
        ("IMG_1.jpg", b"\0\0\0\x18ftypheic\0\0\0\0", "damaged or cut short"),
        ("IMG_1.heic", b"never a picture", "not a picture file"),
        ("IMG_1.avif", b"\0\0\0\x18ftypavif\0\0\0\0", "AVIF file cannot be read"),
        ("DSC_1.NEF", b"MM\0*\0\0\0\x08" + bytes(40), "part of the file is missing"),
        ("DSC_1.CR3", b"\0\0\0\x18ftypcrx \0\0\0\0", "part of the file is missing"),
        ("other.tif", b"II*\0\x10\0\0\0CR\x02\0" + bytes(40), "part of the file is missing"),
        ("DSC_1.RAF", b"FUJIFILMCCD-RAW 0201" + bytes(40), "part of the file is missing"),
        ("DSC_1.ARW", b"II*\0\x08\0\0\0" + bytes(9000), "this kind of raw file cannot be read"),
    ],
)
def test_refusals_name_file_reason_and_remedy(tmp_path, name, content, reason):
    path = tmp_path / name
    path.write_bytes(content)
    error = refusal(path)
    assert reason in error.message


def test_what_cannot_be_read_says_which_formats_work(tmp_path):
    for name in ("a.avif", "a.dng", "a.jpg"):
        (tmp_path / name).write_bytes(b"\0\0\0\x18ftypavif" + bytes(60))
        assert "JPEG, PNG, TIFF (8 or 16 bits), HEIC or raw files" in refusal(tmp_path / name).remedy


@pytest.mark.parametrize(
    ("name", "content", "library", "extra"),
    [
        ("IMG_1.HEIC", b"\0\0\0\x18ftypheic\0\0\0\0", "pillow_heif", "nearpair[heic]"),
        ("DSC_1.NEF", b"MM\0*\0\0\0\x08" + bytes(40), "rawpy", "nearpair[raw]"),
    ],
)
def test_an_extra_that_is_not_installed_is_named(tmp_path, monkeypatch, name, content, library, extra):
    monkeypatch.setitem(sys.modules, library, None)  # its import fails
    (tmp_path / name).write_bytes(content)
    error = refusal(tmp_path / name)
    assert "needs an extra that is not installed" in error.message
    assert f"pip install '{extra}'" in error.remedy


def test_extras_are_imported_only_where_they_are_used():
    look = "import nearpair.frames, sys; print([n for n in ('rawpy', 'pillow_heif') if n in sys.modules])"
    done = subprocess.run([sys.executable, "-c", look], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_what_is_no_file_is_refused_without_waiting(tmp_path):
    os.mkfifo(tmp_path / "pipe.jpg")
    assert "not a file" in refusal(tmp_path / "pipe.jpg").message
    assert "not a file" in refusal(tmp_path).message
    assert "No such file" in refusal(tmp_path / "missing.jpg").message


def test_a_frame_that_may_not_be_read(tmp_path, monkeypatch):
    path = tmp_path / "locked.jpg"
    path.write_bytes(b"\xff\xd8\xff")

    def deny(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", deny)
    assert "Permission denied" in refusal(path).message


def test_a_frame_that_is_too_large(jpeg, tmp_path):
    """A header that claims 65000 x 65000 pixels (ITU-T T.81, B.2.2: Y and X follow the precision byte)."""
    data = bytearray(jpeg().read_bytes())
    at = data.index(b"\xff\xc0") + 5
    data[at : at + 4] = struct.pack(">HH", 65000, 65000)
    (tmp_path / "huge.jpg").write_bytes(data)
    error = refusal(tmp_path / "huge.jpg")
    assert "65000 x 65000 pixels (4225 megapixels); the limit is 400 megapixels" in error.message


def test_a_file_that_is_too_large(tmp_path):
    path = tmp_path / "x.jpg"
    with path.open("wb") as file:
        file.write(b"\xff\xd8\xff")
        file.truncate(formats.MAX_FILE_BYTES + 1)  # sparse: takes no space
    assert "more than a frame can have" in refusal(path).message


@pytest.mark.parametrize(
    ("make", "reason"),
    [
        (lambda a: {"data": a.astype(np.float32)}, "32 bits per channel"),
        (lambda a: {"data": a.astype(np.uint32)}, "32 bits per channel"),
        (lambda a: {"data": a.astype(np.int16)}, "16 bits per channel"),
        (lambda a: {"data": a[..., 0], "photometric": 32803}, "raw file in a TIFF wrapper"),
    ],
)
def test_tiff_variants_that_cannot_be_frames(tmp_path, texture, make, reason):
    path = tmp_path / "x.tif"
    tifffile.imwrite(path, **{"photometric": "rgb", **make(texture)}, metadata=None)
    assert reason in refusal(path).message
