"""Whatever the bytes are, our own parsers give a value or an error that names the file; nothing else."""

import math
import struct
import tempfile
from dataclasses import asdict
from pathlib import Path

import pytest
import tomlkit
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.colour.calibration import calibrated
from nearpair.colour.glasses import Glasses
from nearpair.errors import NearpairError
from nearpair.frames.cr3 import cr3_exif
from nearpair.frames.exif import ExifFields, from_block, from_directories
from nearpair.shoot.decisions import Decisions, load, save
from nearpair.shoot.glassesfile import glasses_named
from support.corpus import exif_of

CANON = bytes.fromhex("85c0b687820f11e08111f4ce462b6a48")
MANY = settings(max_examples=80, deadline=None)

scalars = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(2**70), 2**70),
    st.floats(),
    st.text(max_size=20),
    st.binary(max_size=8),
)


def spoilt(valid):
    """A valid text or block with pieces put in, taken out or changed."""
    piece = st.tuples(st.integers(0, len(valid)), st.integers(0, 12), st.binary(max_size=12))

    def applied(edits):
        out = valid
        for at, length, new in edits:
            out = out[:at] + new + out[at + length :]
        return out

    return st.lists(piece, min_size=1, max_size=5).map(applied)


def decided():
    with tempfile.TemporaryDirectory() as folder:
        save(Path(folder) / "shoot.toml", Decisions(sources=("card",), left="A", right="B"))
        return (Path(folder) / "shoot.toml").read_bytes()


GLASSES = b"""\
version = 1
kind = "red-cyan"
[left]
red = 0.4
green = 0.01
blue = 0.02
[right]
red = 0.02
green = 0.3
blue = 0.35
"""
TOML_WORDS = st.sampled_from(["inf", "-nan", "1e999", "9" * 400, "[[x]]", '"\\u0000"', "2024-01-01", "{a=1}"])


def outcome(read):
    """What came out: a value, or our own error; any other error is let through and fails the test."""
    try:
        return read()
    except NearpairError as error:
        return error


def refused_or(kind, read, path):
    found = outcome(read)
    assert isinstance(found, kind) or (str(path) in str(found) and found.remedy)


@MANY
@given(st.binary(max_size=300) | spoilt(decided()) | TOML_WORDS.map(lambda w: f"left = {w}\n".encode()))
def test_decisions(content):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "shoot.toml"
        path.write_bytes(content)
        refused_or(Decisions, lambda: load(path), path)


@MANY
@given(
    st.recursive(
        st.none(),
        lambda inner: st.dictionaries(
            st.sampled_from(
                ["version", "stations", "mounting", "window", "viewing", "eyes_mm", "colour", "pair"]
            ),
            inner
            | st.booleans()
            | st.integers(-(2**62), 2**62)
            | st.floats()
            | st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), max_size=9)
            | st.lists(st.integers(-9, 9) | st.text("ab", max_size=2), max_size=3),
            max_size=5,
        ),
        max_leaves=8,
    )
)
def test_decisions_of_wrong_kinds(raw):
    def without_none(value):
        return (
            {k: without_none(v) for k, v in value.items() if v is not None}
            if isinstance(value, dict)
            else value
        )

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "shoot.toml"
        path.write_text(tomlkit.dumps(without_none(raw or {})), encoding="utf-8")
        refused_or(Decisions, lambda: load(path), path)


@MANY
@given(st.binary(max_size=300) | spoilt(GLASSES))
def test_calibration_files(content):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "mine.toml"
        path.write_bytes(content)
        refused_or(Glasses, lambda: glasses_named(str(path)), path)


def test_the_calibration_file_is_good_before_it_is_spoilt(tmp_path):
    (tmp_path / "mine.toml").write_bytes(GLASSES)
    assert isinstance(glasses_named(str(tmp_path / "mine.toml")), Glasses)


@MANY
@given(
    st.fixed_dictionaries(
        {"version": st.just(1) | scalars, "kind": st.just("red-cyan") | scalars},
        optional={
            eye: st.dictionaries(st.sampled_from(["red", "green", "blue", "x"]), scalars | st.floats(0, 1))
            | scalars
            for eye in ("left", "right")
        },
    )
)
def test_calibrations_of_wrong_kinds(raw):
    found = outcome(lambda: calibrated(raw))
    assert isinstance(found, Glasses) or found.remedy


def sane(fields):
    """What every reader relies on: finite numbers, lengths above 0, an orientation that exists."""
    assert isinstance(fields, ExifFields)
    assert 1 <= fields.orientation <= 8
    for name, value in asdict(fields).items():
        if isinstance(value, float):
            assert math.isfinite(value)
            assert value > 0 or name == "captured_s"
        if isinstance(value, str):
            assert value.isprintable()


EXIF = exif_of().tobytes()


@MANY
@given(st.binary(max_size=300) | spoilt(EXIF))
def test_exif_blocks(block):
    sane(from_block(block))
    sane(from_directories(block, EXIF[6:]))
    sane(from_directories(EXIF[6:], block))


@MANY
@given(
    st.text(max_size=24) | st.from_regex(r"\A[0-9]{4}:[0-9]{2}:[0-9]{2} [0-9]{2}:[0-9]{2}:[0-9]{2}\Z"),
    st.data(),
)
def test_times_and_numbers_of_exif(when, data):
    fraction = data.draw(st.text(max_size=8) | st.from_regex(r"\A[0-9]{0,400}\Z"))
    ratio = st.tuples(st.integers(0, 2**32 - 1), st.integers(0, 2**32 - 1))
    text = [t.encode("utf-8", "replace") + b"\0" for t in (when, fraction)]
    numbers = [struct.pack("<II", *data.draw(ratio)) for _ in range(4)]
    sane(from_directories(_block({0x0132: (2, text[0])}), _block(_camera(text, numbers))))


def _camera(text, numbers):
    tags = dict(zip((0x829A, 0x829D, 0x9206, 0x920A), ((5, number) for number in numbers), strict=True))
    return {**tags, 0x9003: (2, text[0]), 0x9291: (2, text[1])}


def _block(tags):
    """A TIFF block with one directory (TIFF 6.0, section 2), all values behind it."""
    rows, behind, start = b"", b"", 8 + 2 + 12 * len(tags) + 4
    for tag, (kind, value) in sorted(tags.items()):
        count = 1 if kind == 5 else len(value)
        place = value.ljust(4, b"\0") if len(value) <= 4 else struct.pack("<I", start + len(behind))
        behind += value if len(value) > 4 else b""
        rows += struct.pack("<HHI", tag, kind, count) + place
    return b"II*\0" + struct.pack("<IH", 8, len(tags)) + rows + bytes(4) + behind


def test_the_block_is_good_before_it_is_spoilt():
    numbers = [struct.pack("<II", 28, 10)] * 4
    fields = from_directories(b"", _block(_camera([b"2024:05:06 07:08:09\0", b"5\0"], numbers)))
    assert (fields.f_number, fields.focal_length_mm) == (2.8, 2.8)
    assert fields.captured_s % 60 == pytest.approx(9.5)


def box(kind, content):
    return struct.pack(">I4s", len(content) + 8, kind) + content


CR3 = box(b"ftyp", b"crx ") + box(
    b"moov",
    box(
        b"uuid",
        CANON + box(b"CMT1", EXIF[6:]) + box(b"CMT2", _block({0x829D: (5, struct.pack("<II", 4, 1))})),
    ),
)


@MANY
@given(st.binary(max_size=200) | spoilt(CR3))
def test_boxes(head):
    sane(cr3_exif(head))


def test_the_boxes_are_good_before_they_are_spoilt():
    assert cr3_exif(CR3).f_number == 4.0
