"""HEIC frames: files written with pillow-heif, read back."""

import numpy as np
import pillow_heif
import pytest
from PIL import Image

from nearpair.errors import FrameError
from nearpair.frames import is_srgb, read_info, read_pixels, read_profile, read_small, srgb_profile, to_srgb
from nearpair.frames.read import oriented

from .conftest import exif_block

MAIN = {0x010F: ("ascii", "Demo Optics"), 0x0110: ("ascii", "DO-24"), 0x0112: ("short", 1)}
CAMERA = {
    0x829A: ("rational", (1, 13)),
    0x829D: ("rational", (56, 10)),
    0x8827: ("short", 200),
    0x9003: ("ascii", "1970:01:02 00:00:01"),
    0x9206: ("rational", (214, 1000)),
    0x920A: ("rational", (60, 1)),
    0x9291: ("ascii", "25"),
    0xA434: ("ascii", "DO Macro 60mm"),
}
LOSSLESS = {"quality": -1, "chroma": 444, "matrix_coefficients": 0}
"""Identity matrix (ITU-T H.273, table 4, value 0): RGB is coded as it is."""


@pytest.fixture
def write(tmp_path, monkeypatch):
    """Write (H, W, 3) or (H, W) uint8 or uint16 pixels as HEIC, the latter with 10 or 12 bits."""

    def written(pixels, bits=10, **options):
        monkeypatch.setattr(pillow_heif.options, "SAVE_HDR_TO_12_BIT", bits == 12)
        deep = pixels.dtype == np.uint16
        mode = ("RGB;16" if deep else "RGB") if pixels.ndim == 3 else ("I;16" if deep else "L")
        file = pillow_heif.from_bytes(mode, pixels.shape[1::-1], np.ascontiguousarray(pixels).tobytes())
        file.save(tmp_path / "IMG_0042.HEIC", **{**LOSSLESS, **options})
        return tmp_path / "IMG_0042.HEIC"

    return written


def test_eight_bits_stay_as_they_are(write, texture):
    info = read_info(write(texture))
    assert (info.format, info.bits, info.size_px, info.file_number) == ("HEIC", 8, (37, 53), 42)
    found = read_pixels(info)
    assert (found.dtype, found.flags.c_contiguous) == (np.uint8, True)
    assert np.array_equal(found, texture)


@pytest.mark.parametrize("bits", [10, 12])
def test_more_bits_fill_sixteen(write, texture, bits):
    """Code 0 becomes 0, the highest becomes 65535, and nothing is off by more than half a step."""
    deep = np.linspace(0, 65535, 37 * 53 * 3).reshape(37, 53, 3).astype(np.uint16)
    info = read_info(write(deep, bits))
    found = read_pixels(info)
    assert (info.bits, found.dtype, found.min(), found.max()) == (16, np.uint16, 0, 65535)
    assert np.abs(found.astype(float) - deep).max() <= 65536 / (1 << bits)
    assert len(np.unique(found)) == 1 << bits if bits == 10 else len(np.unique(found)) > 1 << 10


@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
def test_grey_is_expanded(write, texture, kind):
    grey = texture[..., 0].astype(kind) * (257 if kind is np.uint16 else 1)
    found = read_pixels(read_info(write(grey, quality=-1)))
    assert (found.shape, found.dtype) == ((37, 53, 3), kind)
    assert np.abs(found[..., 1].astype(float) / np.iinfo(kind).max - grey / np.iinfo(kind).max).max() < 0.002


@pytest.mark.parametrize("orientation", range(1, 9))
def test_the_file_turns_itself(write, texture, orientation):
    """The writer turns the orientation into the file's own properties; EXIF must not turn it once more."""
    exif = exif_block({**MAIN, 0x0112: ("short", orientation)}, CAMERA)
    info = read_info(write(texture, exif=exif))
    upright = oriented(texture, orientation)
    assert (info.orientation, info.size_px) == (1, upright.shape[:2])
    assert np.array_equal(read_pixels(info), upright)
    assert read_small(info, 2).shape == (upright.shape[0] // 2, upright.shape[1] // 2)


def test_what_the_camera_wrote(write, texture):
    info = read_info(write(texture, exif=exif_block(MAIN, CAMERA)))
    assert (info.camera, info.lens, info.iso) == ("Demo Optics DO-24", "DO Macro 60mm", 200)
    assert (info.focal_length_mm, info.f_number, info.captured_s) == (60.0, 5.6, 86401.25)
    assert info.exposure_s == pytest.approx(1 / 13)
    assert info.focus_distance_mm == pytest.approx(214.0)


def test_profiles(write, texture):
    """ICC where there is one; Display P3 by its number (12 in ITU-T H.273, table 2); else sRGB.

    Red of sRGB is (234, 51, 35) in Display P3: common practice, no source; and the way back.
    """
    assert read_profile(write(texture)) is None
    p3 = read_profile(write(texture, color_primaries=12, transfer_characteristics=13))
    assert not is_srgb(p3)
    red = to_srgb(np.array([[[234, 51, 35]]], np.uint8), p3)
    assert np.abs(red.astype(int) - [255, 0, 0]).max() <= 2
    file = pillow_heif.from_pillow(Image.fromarray(texture))
    file.info["icc_profile"] = srgb_profile()
    path = write(texture)
    file.save(path, **LOSSLESS)
    assert read_profile(path) == srgb_profile()


@pytest.mark.parametrize(("transfer", "name"), [(16, "PQ"), (18, "HLG")])
def test_hdr_is_refused_and_named(write, texture, transfer, name):
    """Its code values are no sRGB (ITU-R BT.2100): merged and viewed as such, everything would look grey."""
    path = write(texture, color_primaries=9, transfer_characteristics=transfer)
    with pytest.raises(FrameError, match=rf"a HEIC in HDR \({name}\) cannot be read"):
        read_info(path)


def test_other_primaries_are_refused(write, texture):
    with pytest.raises(FrameError, match="colours of the kind 9"):
        read_info(write(texture, color_primaries=9, transfer_characteristics=13))


@pytest.mark.parametrize("bits", [8, 10])
def test_a_truncated_file_is_refused_at_every_length(write, texture, bits):
    path = write(texture if bits == 8 else texture.astype(np.uint16) * 257, exif=exif_block(MAIN, CAMERA))
    data, info = path.read_bytes(), read_info(path)
    for length in sorted({*range(0, len(data), len(data) // 60), *range(len(data) - 20, len(data))}):
        path.write_bytes(data[:length])
        with pytest.raises(FrameError, match=r"damaged|cut short|empty|not a picture"):
            read_info(path)
        with pytest.raises(FrameError, match=r"damaged|cut short|empty|not a picture"):
            read_pixels(info)
