"""The cache of developed frames: each developed once, complete or absent, never larger than its limit."""

import os
import shutil
import threading
from contextlib import contextmanager

import numpy as np
import pytest

from nearpair.errors import FrameError, ShootError
from nearpair.frames import developed, read_info, read_pixels, read_small
from nearpair.frames.developed import DevelopedFrames
from nearpair.frames.raw import develop
from support.dng import write_dng

SIZE = (48, 64)
PIXEL_BYTES = 48 * 64 * 3 * 2


@contextmanager
def replacing(path):
    part = path.with_name(f".part-{path.name}")
    yield part
    part.replace(path)


def by_name_and_size(info):
    return f"{info.path.name} {info.path.stat().st_size}"


@pytest.fixture
def frames(tmp_path):
    """Five frames of noise, so that they cannot be packed tightly."""
    random = np.random.default_rng(2)
    return [
        read_info(write_dng(tmp_path / f"DSC_{number}.DNG", random.uniform(0, 0.9, (*SIZE, 3))))
        for number in range(5)
    ]


@pytest.fixture
def done(monkeypatch):
    """Names of the files that were really developed."""
    seen = []

    def counting(path, half=False):
        seen.append(path.name)
        return develop(path, half)

    monkeypatch.setattr(developed, "develop", counting)
    return seen


@pytest.fixture
def cache(tmp_path):
    def opened(limit_bytes=10**9):
        return DevelopedFrames(tmp_path / "cache" / "developed", by_name_and_size, replacing, limit_bytes)

    return opened


def held(tmp_path):
    return sorted((tmp_path / "cache" / "developed").glob("*"))


def test_a_frame_is_developed_once_for_all_that_look_at_it(frames, cache, done):
    kept = cache()
    small = read_small(frames[0], 4, kept)
    assert np.array_equal(read_pixels(frames[0], kept), read_pixels(frames[0]))
    assert np.array_equal(read_small(frames[0], 4, cache()), small)
    assert done == ["DSC_0.DNG"]


def test_the_same_whether_kept_or_not(frames, cache):
    for info in frames[:2]:
        first, again = read_pixels(info, cache()), read_pixels(info, cache())
        assert np.array_equal(first, again)
        assert first.dtype == again.dtype == np.uint16


def test_another_file_of_the_same_name_is_another_frame(frames, cache, done):
    read_pixels(frames[0], cache())
    write_dng(frames[0].path, np.full((*SIZE, 3), 0.5), tags={305: ("s", 0, "another day")})
    read_pixels(read_info(frames[0].path), cache())
    assert done == ["DSC_0.DNG", "DSC_0.DNG"]


def test_other_settings_are_another_frame(frames, cache, done, monkeypatch):
    read_pixels(frames[0], cache())
    monkeypatch.setattr(developed, "raw_settings", lambda: "2: otherwise")
    read_pixels(frames[0], cache())
    assert len(done) == 2


@pytest.mark.parametrize("cut", [0, 100, -1])
def test_a_damaged_one_is_developed_again(frames, cache, done, tmp_path, cut):
    whole = read_pixels(frames[0], cache())
    file = held(tmp_path)[0]
    file.write_bytes(file.read_bytes()[:cut])
    assert np.array_equal(read_pixels(frames[0], cache()), whole)
    assert len(done) == 2
    read_pixels(frames[0], cache())
    assert len(done) == 2


def test_the_limit_holds_and_what_was_not_used_for_longest_goes_first(frames, cache, done, tmp_path):
    limit = 3 * PIXEL_BYTES
    for age, info in enumerate(frames[:3]):
        read_pixels(info, cache(limit))
        for file in held(tmp_path):
            os.utime(file, ns=(0, file.stat().st_mtime_ns - 10**9 * (3 - age)))
    read_pixels(frames[0], cache(limit))  # used again: now 1 is the oldest
    read_pixels(frames[3], cache(limit))
    assert sum(file.stat().st_size for file in held(tmp_path)) <= limit
    done.clear()
    for info in (frames[3], frames[0], frames[1]):
        read_pixels(info, cache(limit))
    assert done == ["DSC_1.DNG"]


def test_a_shoot_that_does_not_fit_keeps_what_fits(frames, cache, done, tmp_path):
    """Going through all frames twice must not throw each one out just before it is needed again."""
    limit = 3 * PIXEL_BYTES
    kept = cache(limit)
    for info in frames:
        read_small(info, 2, kept)
    first = len(held(tmp_path))
    assert 2 <= first < 5
    done.clear()
    for info in frames:
        read_pixels(info, kept)
    assert len(done) == 5 - first
    assert sum(file.stat().st_size for file in held(tmp_path)) <= limit


def test_a_full_disk_or_one_that_takes_nothing_only_costs_time(frames, cache, done, tmp_path, monkeypatch):
    whole = read_pixels(frames[0])
    monkeypatch.setattr(shutil, "disk_usage", lambda _: shutil._ntuple_diskusage(10**12, 10**12, 0))
    assert np.array_equal(read_pixels(frames[0], cache()), whole)
    assert held(tmp_path) == []
    monkeypatch.undo()

    @contextmanager
    def refusing(path):
        raise ShootError(f"{path}: cannot be written.", "Free some space.")
        yield path

    full = DevelopedFrames(tmp_path / "cache" / "developed", by_name_and_size, refusing)
    assert np.array_equal(read_pixels(frames[0], full), whole)
    (tmp_path / "file").write_text("in the way")
    blocked = DevelopedFrames(tmp_path / "file" / "developed", by_name_and_size, replacing)
    assert np.array_equal(read_pixels(frames[0], blocked), whole)


def test_threads_that_want_the_same_frame_develop_it_once(frames, cache, done):
    kept, found = cache(), []
    threads = [threading.Thread(target=lambda: found.append(read_pixels(frames[0], kept))) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(found) == 4
    assert done == ["DSC_0.DNG"]


def test_orientation_is_applied_after_the_cache(frames, cache, done, tmp_path):
    """The sorting may turn a frame: that must not need another development."""
    kept = cache()
    linear = np.random.default_rng(1).uniform(0, 0.9, (*SIZE, 3))
    info = read_info(write_dng(tmp_path / "turned.dng", linear, orientation=6))
    assert np.array_equal(read_pixels(info, kept), read_pixels(info))
    assert read_pixels(info, kept).shape == (64, 48, 3)
    assert done == ["turned.dng"]


def test_a_broken_frame_is_refused_and_leaves_nothing(frames, cache, tmp_path):
    frames[0].path.write_bytes(frames[0].path.read_bytes()[:3000])
    with pytest.raises(FrameError, match="damaged or cut short"):
        read_pixels(frames[0], cache())
    assert held(tmp_path) == []


def test_other_formats_pass_it_by(jpeg, cache, tmp_path):
    info = read_info(jpeg())
    assert np.array_equal(read_pixels(info, cache()), read_pixels(info))
    assert held(tmp_path) == []
