"""Multi-picture files, read by Pillow, which knows CIPA DC-007 by itself."""

import io

import numpy as np
import pytest
from PIL import Image, JpegImagePlugin, TiffImagePlugin

from nearpair.frames.multipicture import multipicture


def jpeg(level, with_exif=True):
    file = io.BytesIO()
    exif = Image.Exif()
    exif[271] = "Maker"
    picture = Image.fromarray(np.full((24, 32, 3), level, np.uint8))
    picture.save(file, "JPEG", quality=95, **({"exif": exif} if with_exif else {}))
    return file.getvalue()


@pytest.mark.parametrize("with_exif", [True, False])
def test_it_opens_as_two_frames_left_first(with_exif):
    made = multipicture(jpeg(40, with_exif), jpeg(200, with_exif), 6.5)
    with Image.open(io.BytesIO(made)) as file:
        assert (file.format, file.n_frames) == ("MPO", 2)
        for number, level in enumerate((40, 200)):
            file.seek(number)
            assert abs(float(np.asarray(file.convert("RGB")).mean()) - level) < 1.5
            if with_exif:
                assert file.getexif()[271] == "Maker"


def test_index_and_attributes():
    """Types: DC-007, table of MP types: 0x020002 is disparity. Bit 29: representative picture."""
    made = multipicture(jpeg(40), jpeg(200), 6.5)
    with Image.open(io.BytesIO(made)) as file:
        index = file.mpinfo
        assert (index[0xB000], index[0xB001]) == (b"0100", 2)
        first, second = index[0xB002]
        assert (
            first["Attribute"]["MPType"] == second["Attribute"]["MPType"] == "Multi-Frame Image: (Disparity)"
        )
        assert first["Attribute"]["RepresentativeImageFlag"]
        assert not second["Attribute"]["RepresentativeImageFlag"]
        assert first["DataOffset"] == 0
        assert first["Size"] + second["Size"] == len(made)
    assert made[first["Size"] :][:3] == b"\xff\xd8\xff"
    # the second picture by itself is a whole JPEG
    assert JpegImagePlugin.JpegImageFile(io.BytesIO(made[first["Size"] :])).size == (32, 24)


def attributes(picture):
    """The attribute IFD of one picture as Pillow's reader of TIFF directories sees it."""
    header = picture[picture.index(b"MPF\0") + 4 :]
    file = io.BytesIO(header)
    found = TiffImagePlugin.ImageFileDirectory_v2(file.read(8))
    file.seek(found.next)
    found.load(file)
    if 0xB002 in found:
        after = found.next
        found = TiffImagePlugin.ImageFileDirectory_v2(header[:8])
        file.seek(after)
        found.load(file)
    return dict(found)


@pytest.mark.parametrize("base_mm", [6.5, None])
def test_viewpoints_base_and_convergence(base_mm):
    left, right = jpeg(40), jpeg(200)
    made = multipicture(left, right, base_mm)
    with Image.open(io.BytesIO(made)) as file:
        size = file.mpinfo[0xB002][0]["Size"]
    for number, picture in enumerate((made[:size], made[size:]), start=1):
        found = attributes(picture)
        assert (found[0xB101], found[0xB204]) == (number, 1)
        assert float(found[0xB205]) == 0
        if base_mm is None:
            assert (found[0xB206].numerator, found[0xB206].denominator) == (0xFFFFFFFF, 0xFFFFFFFF)
        else:
            assert float(found[0xB206]) == pytest.approx(0.0065)  # metres


def test_what_is_no_jpeg_is_refused():
    with pytest.raises(ValueError, match="JPEG"):
        multipicture(b"no", jpeg(3), None)
