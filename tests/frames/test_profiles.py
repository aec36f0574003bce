import io

import numpy as np
import pytest
from PIL import Image, ImageCms

from nearpair.errors import FrameError
from nearpair.frames import is_srgb, read_info, read_pixels, read_profile, srgb_profile, to_srgb, write_png
from nearpair.frames.profiles import adobe_rgb_profile, display_p3_profile, linear_light, to_srgb_codes

from .conftest import exif_block


def linear(encoded):
    """IEC 61966-2-1:1999, section 5.2."""
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def encode(light):
    return np.where(light <= 0.0031308, light * 12.92, 1.055 * light ** (1 / 2.4) - 0.055)


# Adobe RGB (1998) Color Image Encoding (2005-05), section 4.3.5.3; IEC 61966-2-1:1999 (both from memory)
ADOBE_TO_XYZ = np.array(
    [[0.57667, 0.18556, 0.18823], [0.29734, 0.62736, 0.07529], [0.02703, 0.07069, 0.99134]]
)
XYZ_TO_SRGB = np.array([[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]])


def test_adobe_rgb_to_srgb_against_the_published_matrices():
    """Inside the sRGB gamut only: Adobe RGB has gamma 2.19921875 (same publication, section 4.3.4.2)."""
    inside = encode(np.random.default_rng(1).uniform(0.15, 0.6, (20, 20, 3)))
    light = linear(inside) @ np.linalg.inv(XYZ_TO_SRGB).T @ np.linalg.inv(ADOBE_TO_XYZ).T
    adobe = np.rint(light.clip(0, 1) ** (256 / 563) * 65535).astype(np.uint16)
    moved = to_srgb(adobe, adobe_rgb_profile())
    assert moved.dtype == np.uint16
    assert np.abs(moved / 65535 - inside).max() < 0.002


def test_to_srgb_against_pillow(texture):
    wide = ImageCms.ImageCmsProfile(io.BytesIO(adobe_rgb_profile()))
    theirs = ImageCms.profileToProfile(
        Image.fromarray(texture), wide, ImageCms.createProfile("sRGB"), ImageCms.Intent.RELATIVE_COLORIMETRIC
    )
    before = texture.copy()
    assert np.abs(to_srgb(texture, adobe_rgb_profile()).astype(int) - np.asarray(theirs)).max() <= 2
    assert np.array_equal(texture, before)


def test_srgb_stays_as_it_is(texture):
    assert np.abs(to_srgb(texture, srgb_profile()).astype(int) - texture).max() <= 1
    same = to_srgb(texture, None)
    assert np.array_equal(same, texture)
    assert same is not texture


def test_16_bits_go_to_the_nearest_of_8():
    codes = np.arange(65536, dtype=np.uint16).reshape(512, 128)
    seen = to_srgb_codes(np.stack([codes] * 3, axis=-1), None)
    assert np.array_equal(seen[..., 0], np.rint(codes / 257))
    assert np.array_equal(seen[..., 0], seen[..., 2])


def test_is_srgb_measures_instead_of_believing_names():
    assert is_srgb(None)
    assert is_srgb(srgb_profile())
    assert is_srgb(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    assert not is_srgb(adobe_rgb_profile())


@pytest.mark.parametrize("make", [srgb_profile, adobe_rgb_profile])
def test_our_profiles_are_valid_and_carry_no_clock(make):
    """ICC.1:2010, section 7.2: size at 0, date at 24, signature at 36."""
    profile = make()
    assert profile == make()
    assert int.from_bytes(profile[:4], "big") == len(profile)
    assert profile[24:36].hex() == "07e800010001000000000000"
    assert profile[36:40] == b"acsp"
    assert ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(io.BytesIO(profile))).strip()


def test_a_profile_that_cannot_be_used(texture):
    with pytest.raises(FrameError, match="colour profile of the frames cannot be used"):
        to_srgb(texture, b"not a profile" * 20)


@pytest.mark.parametrize("kind", ["JPEG", "PNG", "TIFF"])
def test_the_profile_of_a_frame(tmp_path, texture, kind):
    path = tmp_path / "x"
    Image.fromarray(texture).save(path, kind, icc_profile=adobe_rgb_profile())
    assert read_profile(path) == adobe_rgb_profile()
    Image.fromarray(texture).save(path, kind)
    assert read_profile(path) is None


@pytest.mark.parametrize(
    "profile", [b"", b"broken" * 50, b"x" * 16 + b"GRAY" + b"x" * 16 + b"acsp" + b"x" * 99]
)
def test_a_profile_that_does_not_fit_rgb_pixels_is_left_out(tmp_path, texture, profile):
    Image.fromarray(texture).save(tmp_path / "x.jpg", icc_profile=profile)
    assert read_profile(tmp_path / "x.jpg") is None


def test_a_broken_profile_chunk_in_a_png(tmp_path, texture):
    path = tmp_path / "x.png"
    write_png(path, texture, adobe_rgb_profile())
    data = bytearray(path.read_bytes())
    at = data.index(b"iCCP") + 4
    at = data.index(b"\0", at) + 2
    data[at : at + 8] = b"\xff" * 8
    path.write_bytes(data)
    assert read_profile(path) is None


def with_interoperability(index):
    """EXIF whose interoperability directory holds tag 1 (Exif 2.32, section 4.6.8)."""
    block = bytearray(exif_block({}, {0xA005: ("long", 0), 0x9003: ("ascii", "2024:05:18 10:03:54")}))
    below = len(block) - 6
    at = block.index(b"\x05\xa0\x04\0") + 8
    block[at : at + 4] = below.to_bytes(4, "little")
    return bytes(block) + b"\x01\0" + b"\x01\0\x02\0\x04\0\0\0" + index + b"\0" + b"\0\0\0\0"


@pytest.mark.parametrize(("index", "expected"), [(b"R03", True), (b"R98", False)])
def test_adobe_rgb_files_of_cameras_carry_no_profile(tmp_path, texture, index, expected):
    Image.fromarray(texture).save(tmp_path / "_DSC0001.JPG", exif=with_interoperability(index))
    assert read_profile(tmp_path / "_DSC0001.JPG") == (adobe_rgb_profile() if expected else None)
    assert read_pixels(read_info(tmp_path / "_DSC0001.JPG")).shape == (37, 53, 3)


def test_light_of_codes_is_that_of_the_published_curves():
    """Gamma of Adobe RGB as above; Display P3 has the curve of sRGB (from memory)."""
    codes = np.arange(65536) / 65535
    srgb = linear_light(None, np.uint16)
    np.testing.assert_allclose(srgb, linear(codes), atol=1e-6)
    np.testing.assert_allclose(linear_light(adobe_rgb_profile(), np.uint16), codes**2.19921875, atol=3e-4)
    np.testing.assert_allclose(linear_light(display_p3_profile(), np.uint8), srgb[::257], atol=3e-4)
