"""What libraries say of broken files is heard, and told in our own words; none of it reaches the terminal."""

import logging
import struct
import subprocess
import sys
import zlib

import numpy as np
import pytest
from PIL import Image

from nearpair.errors import FrameError
from nearpair.frames.complaints import complaints
from nearpair.frames.metadata import read_info
from nearpair.frames.read import read_pixels
from support.corpus import cases, lying, put

# Under pytest the log has handlers, so what a terminal would see is only seen from a process of its own.
READ_ALL = """
import sys
from pathlib import Path
from nearpair.errors import FrameError
from nearpair.frames.metadata import read_info
from nearpair.frames.read import has_halved_chroma, read_pixels
from nearpair.shoot.ahead import read_ahead

def read(file):
    try:
        info = read_info(file)
        return read_pixels(info) is not None and has_halved_chroma(info) in (True, False)
    except FrameError:
        return False

files = sorted(file for file in Path(sys.argv[1]).iterdir() if file.is_file())
print(sum(read_ahead(files, read)), len(files))
"""


def chunk(kind, content):
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))


def png(path, *, exif_crc=0, checksum=0):
    """A PNG (W3C PNG, sections 5.3 and 10) with a wrong checksum of its metadata, or of its pixels."""
    pixels = np.random.default_rng(1).integers(0, 255, (20, 30, 3), dtype=np.uint8)
    rows = b"".join(b"\0" + row.tobytes() for row in pixels)
    packed = zlib.compress(rows)
    packed = packed[:-1] + bytes([packed[-1] ^ checksum])
    exif = chunk(b"eXIf", Image.Exif().tobytes()[6:])
    path.write_bytes(
        b"\x89PNG\r\n\x1a\n"
        + chunk(b"IHDR", struct.pack(">IIBBBBB", 30, 20, 8, 2, 0, 0, 0))
        + exif[:-1]
        + bytes([exif[-1] ^ exif_crc])
        + chunk(b"IDAT", packed)
        + chunk(b"IEND", b"")
    )
    return pixels


def test_nothing_reaches_the_terminal_from_any_thread(tmp_path):
    card = tmp_path / "card"
    put(card, [*cases(150, 1, tmp_path / "scratch"), *lying(100, 5, tmp_path / "scratch")])
    for number in range(20):
        png(card / f"crc-{number}.png", exif_crc=1)
    ran = subprocess.run([sys.executable, "-c", READ_ALL, card], capture_output=True, text=True)
    used, tried = (int(word) for word in ran.stdout.split())
    assert (ran.returncode, ran.stderr) == (0, "")
    assert 20 < used < tried


def test_damaged_metadata_do_not_spoil_the_pixels(tmp_path):
    pixels = png(tmp_path / "a.png", exif_crc=1)
    np.testing.assert_array_equal(read_pixels(read_info(tmp_path / "a.png")), pixels)


def test_pixels_that_are_not_those_that_were_written_are_refused(tmp_path):
    """The library only warns of it (Adler-32 at the end of a zlib stream: RFC 1950, section 2.2)."""
    png(tmp_path / "a.png", checksum=1)
    with pytest.raises(FrameError, match=r"a\.png: the picture is damaged .*incorrect data check"):
        read_pixels(read_info(tmp_path / "a.png"))


def test_each_listener_hears_its_own():
    with complaints() as outer:
        logging.getLogger("tifffile").warning("one")
        with complaints() as inner:
            logging.getLogger("imagecodecs").warning("two")
        logging.getLogger("PIL.TiffImagePlugin").warning("three")
    assert (outer, inner) == (["one", "three"], ["two"])
