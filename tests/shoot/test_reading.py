"""Reading: every frame decoded once as far as there is room, and with the same result where there is none."""

import threading
from contextlib import closing
from dataclasses import replace
from functools import partial

import numpy as np
import pytest
from PIL import Image

from nearpair.errors import FrameError
from nearpair.frames.metadata import read_info
from nearpair.frames.read import read_pixels, read_small
from nearpair.pixels.detail import block_detail
from nearpair.pixels.planes import full_planes, halved_planes, small_luma
from nearpair.shoot import reading as module
from nearpair.shoot.reading import Reading
from nearpair.shoot.scratch import Scratch
from support.textures import photograph

ASKED = (Reading.detail, Reading.planes, Reading.pixels)
KINDS = ("420.jpg", "444.jpg", "plain.png", "turned.jpg")


def piece(number, size=(61, 84)):
    top = 20 + 15 * number
    return np.ascontiguousarray(photograph("coffee")[top : top + size[0], 90 : 90 + size[1]])


@pytest.fixture
def frames(tmp_path):
    """Different frames of the kinds that are read in different ways, and one turned by its header."""
    exif = Image.Exif()
    exif[0x0112] = 6
    settings = ({"subsampling": 2}, {"subsampling": 0}, {}, {"subsampling": 2, "exif": exif})
    for number, (name, how) in enumerate(zip(KINDS, settings, strict=True)):
        quality = {} if name.endswith("png") else {"quality": 92}
        Image.fromarray(piece(number)).save(tmp_path / name, **quality, **how)
    return {name: read_info(tmp_path / name) for name in KINDS}


@pytest.fixture
def alike(tmp_path):
    """Six JPEGs of one size."""
    for number in range(6):
        Image.fromarray(piece(number)).save(tmp_path / f"{number}.jpg", quality=92, subsampling=2)
    return [read_info(tmp_path / f"{number}.jpg") for number in range(6)]


@pytest.fixture
def decoded(monkeypatch):
    """Names of the frames that were really decoded: in full, and as a small luma."""
    seen = {"full": [], "small": []}

    def in_full(frame, *given, **known):
        seen["full"].append(frame.path.name)
        return read_pixels(frame, *given, **known)

    def as_small(frame, *given, **known):
        seen["small"].append(frame.path.name)
        return read_small(frame, *given, **known)

    monkeypatch.setattr(module, "read_pixels", in_full)
    monkeypatch.setattr(module, "read_small", as_small)
    return seen


@pytest.fixture(params=["none", "no room", "room for one", "room"])
def any_reading(request, tmp_path):
    """With and without a scratch, and with one that is soon full."""
    room = {"no room": 0, "room for one": 16_000, "room": 1 << 24}
    if request.param == "none":
        yield Reading()
        return
    with closing(Scratch(tmp_path / "scratch", room[request.param])) as scratch:
        yield Reading(scratch=scratch)


@pytest.fixture
def roomy(tmp_path):
    with closing(Scratch(tmp_path / "scratch", 1 << 24)) as scratch:
        yield Reading(scratch=scratch)


def expected(frame):
    """Planes as they are made from the frame's pixels."""
    if frame.path.name in ("444.jpg", "plain.png"):
        return full_planes(read_pixels(frame))
    return halved_planes(read_pixels(frame, plain_chroma=True))


def parts(planes):
    return planes.luma, planes.blue, planes.red


def copies(planes):
    return [plane.copy() for plane in parts(planes)]


def equal(found, wanted):
    for one, other in zip(found, wanted, strict=True):
        assert one.dtype == other.dtype
        np.testing.assert_array_equal(one, other)


@pytest.mark.parametrize("name", KINDS)
def test_with_room_every_frame_is_decoded_once(frames, decoded, roomy, name):
    frame = frames[name]
    for _ in range(2):
        for factor in (1, 2, 3):
            roomy.small(frame, factor)
        roomy.detail(frame)
        roomy.planes(frame)
    roomy.forget_small()
    roomy.small(frame, 2)
    assert decoded == {"full": [name], "small": []}


def test_without_a_scratch_looking_decodes_only_the_luma(frames, decoded):
    reading = Reading()
    for _ in range(2):
        reading.small(frames["420.jpg"], 2)
    assert decoded == {"full": [], "small": ["420.jpg"]}
    reading.small(frames["420.jpg"], 3)
    reading.forget_small()
    reading.small(frames["420.jpg"], 2)
    assert decoded == {"full": [], "small": ["420.jpg"] * 3}


@pytest.mark.parametrize("name", KINDS)
def test_the_same_whatever_room_there_is(frames, any_reading, name):
    """Twice, and in another order: what was laid aside, and what had to be decoded again."""
    frame, planes = frames[name], expected(frames[name])
    codes = block_detail(planes.luma, planes.white)
    for _ in range(2):
        np.testing.assert_array_equal(any_reading.detail(frame), codes)
        equal(parts(any_reading.planes(frame)), parts(planes))
        for other in frames.values():
            any_reading.planes(other)
            any_reading.detail(other)
    assert any_reading.planes(frame).luma.shape == frame.size_px


@pytest.mark.parametrize("factor", [1, 2, 5])
@pytest.mark.parametrize("name", KINDS)
def test_small_lumas(frames, any_reading, name, factor):
    frame = frames[name]
    found = any_reading.small(frame, factor)
    assert (found.dtype, found.shape) == (np.uint8, tuple(side // factor for side in frame.size_px))
    # the luma of the file, or that of its colours: rounding, and what RGB cannot say
    assert np.mean(np.abs(found.astype(int) - read_small(frame, factor))) < 0.6
    if any_reading._scratch is not None:
        np.testing.assert_array_equal(found, small_luma(expected(frame), factor))


def test_a_full_scratch_costs_time_only(alike, decoded, tmp_path, monkeypatch):
    """Room for the planes of two frames of six: the others are decoded again, their detail is not.

    Nor are small lumas, though memory has no room for those of the whole stack.
    """
    monkeypatch.setattr(module, "_KEPT_BYTES", 3 * 30 * 42)
    with closing(Scratch(tmp_path / "scratch", 45_000)) as scratch:
        reading = Reading(scratch=scratch)
        for frame in [*alike, *alike]:
            reading.small(frame, 2)
        assert decoded["full"] == [frame.path.name for frame in alike]
        for frame in alike:
            reading.detail(frame)
        assert len(decoded["full"]) == 6
        for frame in alike:
            equal(parts(reading.planes(frame)), parts(expected(frame)))
        again = decoded["full"][6:]
        assert 0 < len(again) < 6
        assert again == [frame.path.name for frame in alike][-len(again) :]


def test_what_was_given_is_never_overwritten(alike, any_reading):
    """Buffers are used again from frame to frame: nothing that was handed out may lie in them."""
    given = []
    for frame in alike:
        small, codes, planes = (
            any_reading.small(frame, 1),
            any_reading.detail(frame),
            any_reading.planes(frame),
        )
        given.append(((small, codes, *parts(planes)), (small.copy(), codes.copy(), *copies(planes))))
        pixels = any_reading.pixels(frame)
        given.append(((pixels,), (pixels.copy(),)))
    for held, kept in given:
        equal(held, kept)


def test_frames_of_the_same_number_of_pixels_but_another_shape(frames, any_reading):
    upright, turned = frames["420.jpg"], frames["turned.jpg"]
    assert upright.size_px == turned.size_px[::-1]
    for frame in (upright, turned, upright, turned):
        any_reading.small(frame, 2)
        equal(parts(any_reading.planes(frame)), parts(expected(frame)))


def test_several_threads_at_once(alike, any_reading):
    wanted = [(small_luma(expected(f), 1), parts(expected(f))) for f in alike]
    wrong, start = [], threading.Barrier(4)

    def work(first):
        start.wait(5)
        for step in range(3 * len(alike)):
            number = (first + step) % len(alike)
            small, planes = any_reading.small(alike[number], 1), any_reading.planes(alike[number])
            near = np.mean(np.abs(small.astype(int) - wanted[number][0])) < 0.6
            if not near or not all(map(np.array_equal, parts(planes), wanted[number][1])):
                wrong.append(number)

    threads = [threading.Thread(target=work, args=(number,)) for number in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert wrong == []


def test_pixels_are_those_of_the_file(frames, any_reading):
    for frame in frames.values():
        np.testing.assert_array_equal(any_reading.pixels(frame), read_pixels(frame))


def test_sixteen_bits_are_not_cut(tmp_path, roomy):
    deep = np.random.default_rng(91).integers(0, 65536, (20, 30), dtype=np.uint16)
    Image.fromarray(deep).save(tmp_path / "deep.png")
    frame = read_info(tmp_path / "deep.png")
    luma = roomy.planes(frame).luma
    np.testing.assert_allclose(luma, deep / 65535 * 32640, atol=0.6)
    np.testing.assert_array_equal(roomy.planes(frame).luma, luma)
    assert np.max(np.abs(roomy.small(frame, 1) - deep / 257)) <= 0.51


def test_developed_frames_are_not_kept_twice(frames, decoded, roomy, monkeypatch):
    """They lie in a cache of their own, larger than the files."""
    raw, plain = replace(frames["444.jpg"], format="RAW"), frames["444.jpg"]
    monkeypatch.setattr(
        module, "read_pixels", lambda *_, **__: decoded["full"].append("raw") or read_pixels(plain)
    )
    for _ in range(2):
        roomy.detail(raw)
        roomy.planes(raw)
    assert decoded["full"] == ["raw"] * 3


def test_a_frame_turned_by_the_sorting_is_another_picture(frames, any_reading):
    frame = frames["420.jpg"]
    turned = replace(frame, orientation=6, size_px=frame.size_px[::-1])
    assert any_reading.small(frame, 2).shape == (30, 42)
    assert any_reading.small(turned, 2).shape == (42, 30)
    assert any_reading.planes(turned).luma.shape == (84, 61)
    assert any_reading.planes(frame).luma.shape == (61, 84)


@pytest.mark.parametrize("name", KINDS)
@pytest.mark.parametrize("how", ["missing", "cut short", "nonsense"])
def test_frames_that_cannot_be_read_are_refused(frames, any_reading, name, how):
    """By name, whatever is asked of them."""
    frame = frames[name]
    data = frame.path.read_bytes()
    frame.path.unlink()
    if how != "missing":
        frame.path.write_bytes(data[: len(data) // 2] if how == "cut short" else bytes(range(256)) * 8)
    for ask in (lambda: any_reading.small(frame, 2), *(partial(of, any_reading, frame) for of in ASKED)):
        with pytest.raises(FrameError, match=name):
            ask()


def test_a_frame_smaller_than_the_factor(frames, any_reading):
    with pytest.raises(FrameError, match="too small to be reduced 70 times"):
        any_reading.small(frames["420.jpg"], 70)


@pytest.mark.parametrize("kept_bytes", [3 * 30 * 42, 100])
def test_memory_of_small_lumas_stays_bounded(alike, decoded, monkeypatch, kept_bytes):
    """The oldest is forgotten first; what is larger than all that may be kept is given, not kept."""
    monkeypatch.setattr(module, "_KEPT_BYTES", kept_bytes)
    reading = Reading()
    for frame in alike[:4]:
        reading.small(frame, 2)
    decoded["small"].clear()
    for number in (1, 2, 3, 0):
        assert reading.small(alike[number], 2).shape == (30, 42)
    expected_ = ["0.jpg"] if kept_bytes > 100 else ["1.jpg", "2.jpg", "3.jpg", "0.jpg"]
    assert decoded["small"] == expected_
    assert reading._bytes == sum(plane.nbytes for plane in reading._small.values()) <= kept_bytes


def test_two_threads_that_read_the_same_frame_at_once(alike, monkeypatch):
    """Counting it twice would, in the end, forget more than there is."""
    both = threading.Barrier(2)

    def together(*given):
        both.wait(5)
        return read_small(*given)

    monkeypatch.setattr(module, "read_small", together)
    monkeypatch.setattr(module, "_KEPT_BYTES", 3 * 30 * 42)
    reading = Reading()
    for frame in alike:
        threads = [threading.Thread(target=reading.small, args=(frame, 2)) for _ in range(2)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert reading._bytes == sum(plane.nbytes for plane in reading._small.values()) <= 3 * 30 * 42
