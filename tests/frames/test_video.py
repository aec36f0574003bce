"""MP4 files, read back by PyAV: number of pictures, rate, colours of Rec. ITU-R BT.709."""

from fractions import Fraction

import av
import numpy as np
import pytest

from nearpair.frames.video import write_mp4

COLOURS = [(128, 128, 128), (200, 60, 40), (30, 120, 220)]
SIZE = (48, 64)


@pytest.fixture
def frames():
    return [np.full((*SIZE, 3), colour, np.uint8) for colour in COLOURS]


def test_pictures_rate_and_colours_come_back(frames, tmp_path):
    path = tmp_path / "x.mp4"
    assert write_mp4(path, frames, Fraction(5, 2), SIZE) == 3
    with av.open(str(path)) as file:
        stream = file.streams.video[0]
        assert (stream.height, stream.width, stream.average_rate) == (*SIZE, Fraction(5, 2))
        assert stream.codec_context.colorspace == 1  # BT.709, ISO/IEC 23091-2
        seen = [frame.to_ndarray(format="rgb24", src_colorspace="ITU709") for frame in file.decode(video=0)]
    assert len(seen) == 3
    for picture, colour in zip(seen, COLOURS, strict=True):
        assert np.abs(picture.mean(axis=(0, 1)) - colour).max() < 4


def test_same_pictures_same_bytes(frames, tmp_path):
    for name in ("a.mp4", "b.mp4"):
        write_mp4(tmp_path / name, frames, Fraction(25), SIZE)
    assert (tmp_path / "a.mp4").read_bytes() == (tmp_path / "b.mp4").read_bytes()


@pytest.mark.parametrize(("packing", "told"), [("side-by-side", 1), ("top-bottom", 2), ("", None)])
def test_the_packing_is_told_in_the_stream(frames, tmp_path, packing, told):
    """Frame packing arrangement of ITU-T H.264 Annex D, as the decoder tells it."""
    write_mp4(tmp_path / "x.mp4", frames, Fraction(25), SIZE, packing)
    with av.open(str(tmp_path / "x.mp4")) as file:
        first = next(file.decode(video=0))
        found = [bytes(data)[0] for data in first.side_data if data.type.name == "STEREO3D"]
    assert found == ([] if told is None else [told])
