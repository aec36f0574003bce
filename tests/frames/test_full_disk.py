"""A disk that fills up while a picture is written must be noticed by every writer, down to the last byte.

The limit of the size of a file (setrlimit, RLIMIT_FSIZE: POSIX.1-2017) behaves as a full disk does: a write
across it is cut short without an error, and only the next one fails.
"""

from fractions import Fraction

import numpy as np
import pytest

from nearpair.frames.animation import write_gif, write_webp
from nearpair.frames.carried import Carried
from nearpair.frames.profiles import srgb_profile
from nearpair.frames.video import write_mp4
from nearpair.frames.write import write_float_tiff, write_jpeg, write_png, write_tiff

resource = pytest.importorskip("resource", reason="only POSIX systems limit the size of a file")

PICTURE = np.random.default_rng(3).integers(0, 255, (64, 96, 3), dtype=np.uint8)
MOVING = [PICTURE, PICTURE[::-1], PICTURE[:, ::-1]]
WRITERS = {
    "jpg": lambda path: write_jpeg(path, PICTURE),
    "png": lambda path: write_png(path, PICTURE),
    "tif": lambda path: write_tiff(path, PICTURE),
    "float.tif": lambda path: write_float_tiff(path, PICTURE[..., 0].astype(np.float32)),
    "gif": lambda path: write_gif(path, MOVING, 100),
    "webp": lambda path: write_webp(path, MOVING, 100, srgb_profile(), Carried(b"", b"")),
    "mp4": lambda path: write_mp4(path, MOVING, Fraction(10), (64, 96)),
}


@pytest.fixture
def limited():
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    yield lambda most: resource.setrlimit(resource.RLIMIT_FSIZE, (most, before[1]))
    resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.mark.parametrize("kind", list(WRITERS))
def test_a_file_that_was_cut_short_is_never_taken_for_written(tmp_path, limited, kind):
    path = tmp_path / f"whole.{kind}"
    WRITERS[kind](path)
    size = path.stat().st_size
    for missing in (1, 17, size // 2):
        limited(size - missing)
        with pytest.raises(OSError, match="large"):
            WRITERS[kind](tmp_path / f"cut-{missing}.{kind}")
    limited(size)
    WRITERS[kind](tmp_path / f"again.{kind}")
    assert (tmp_path / f"again.{kind}").read_bytes() == path.read_bytes()
