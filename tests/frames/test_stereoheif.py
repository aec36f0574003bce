"""Stereo pairs in HEIF: read back by libheif itself, by FFmpeg's reader, and by pillow-heif."""

import ctypes
import io
import struct
from pathlib import Path

import av
import numpy as np
import pillow_heif
import pytest
from PIL import Image

from nearpair.frames import srgb_profile
from nearpair.frames.carried import Carried
from nearpair.frames.stereoheif import grouped, stereo_heif

SIZE = (48, 64)


def view(level):
    ramp = np.linspace(0, 60, SIZE[1], dtype=np.uint8)
    return np.broadcast_to((level + ramp)[None, :, None], (*SIZE, 3)).astype(np.uint8).copy()


LEFT, RIGHT = view(30), view(160)


def words():
    exif = Image.Exif()
    exif[271] = "Maker"
    return Carried(exif.tobytes(), b"<x:xmpmeta xmlns:x='adobe:ns:meta/'/>")


@pytest.fixture(scope="module")
def made():
    return stereo_heif(LEFT, RIGHT, 90, srgb_profile(), words())


class Group(ctypes.Structure):
    """heif_entity_group of libheif's heif_entity_groups.h."""

    _fields_ = (
        ("group", ctypes.c_uint32),
        ("kind", ctypes.c_uint32),
        ("entities", ctypes.POINTER(ctypes.c_uint32)),
        ("count", ctypes.c_uint32),
    )


class Error(ctypes.Structure):
    """heif_error: code, subcode, message."""

    _fields_ = (("code", ctypes.c_int), ("sub", ctypes.c_int), ("message", ctypes.c_char_p))


@pytest.fixture(scope="module")
def libheif():
    """The library inside pillow-heif, called without pillow-heif."""
    folder = Path(pillow_heif.__file__).parents[1] / "pillow_heif.libs"
    library = ctypes.CDLL(next(folder.glob("libheif*")))
    library.heif_context_alloc.restype = ctypes.c_void_p
    library.heif_context_read_from_memory_without_copy.restype = Error
    library.heif_context_get_entity_groups.restype = ctypes.POINTER(Group)
    return library


def test_libheif_reads_the_stereo_group(libheif, made):
    context = ctypes.c_void_p(libheif.heif_context_alloc())
    found = libheif.heif_context_read_from_memory_without_copy(
        context, made, ctypes.c_size_t(len(made)), None
    )
    assert found.code == 0
    count = ctypes.c_int()
    anywhere = ctypes.c_uint32(0)
    groups = libheif.heif_context_get_entity_groups(context, 0, anywhere, ctypes.byref(count))
    assert count.value == 1
    assert struct.pack(">L", groups[0].kind) == b"ster"
    entities = [groups[0].entities[i] for i in range(groups[0].count)]
    shown = (ctypes.c_uint32 * 2)()
    assert libheif.heif_context_get_list_of_top_level_image_IDs(context, shown, 2) == 2
    assert entities == list(shown)  # the left picture first
    assert groups[0].group not in entities
    libheif.heif_entity_groups_release(groups, count)
    libheif.heif_context_free(context)


def test_pillow_heif_shows_both_with_their_words(made):
    file = pillow_heif.open_heif(io.BytesIO(made))
    assert (len(file), file.primary_index) == (2, 0)
    for picture, expected in zip(file, (LEFT, RIGHT), strict=True):
        assert np.abs(np.asarray(picture).astype(int) - expected).mean() < 2
        assert picture.info["icc_profile"] == srgb_profile()
        assert b"Maker" in picture.info["exif"]
        assert b"xmpmeta" in picture.info["xmp"]


def test_ffmpeg_finds_both_pictures_where_the_file_says(made):
    with av.open(io.BytesIO(made)) as file:
        streams = file.streams.video
        assert len(streams) == 2
        for stream, expected in zip(streams, (LEFT, RIGHT), strict=True):
            file.seek(0)
            picture = next(file.decode(stream)).to_ndarray(format="rgb24")
            assert np.abs(picture[: SIZE[0], : SIZE[1]].astype(int) - expected).mean() < 4


def test_the_same_pair_gives_the_same_bytes(made):
    assert stereo_heif(LEFT, RIGHT, 90, srgb_profile(), words()) == made


def test_only_a_pair_can_be_grouped(made):
    one = pillow_heif.from_pillow(Image.fromarray(LEFT))
    file = io.BytesIO()
    one.save(file)
    with pytest.raises(ValueError, match="two pictures, found 1"):
        grouped(file.getvalue())
    with pytest.raises(ValueError, match="already"):
        grouped(made)
    with pytest.raises(ValueError, match="does not fit"):
        grouped(made[:300])
