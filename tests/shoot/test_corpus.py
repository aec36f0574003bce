"""Spoilt files of all kinds: used, or set aside by name with a reason; never a traceback.

A small share of the corpus; all of it by `python -m benchmarks.corpus`.
"""

import pytest

from nearpair.errors import FrameError, NearpairError
from nearpair.frames.metadata import read_info
from nearpair.frames.read import read_pixels, read_small
from nearpair.shoot.run import look
from support.corpus import cases, lying, put
from support.tiny import shells


@pytest.fixture(scope="module")
def spoilt(tmp_path_factory):
    scratch = tmp_path_factory.mktemp("scratch")
    return cases(240, 7, scratch)


def test_the_same_seed_gives_the_same_cases(spoilt, tmp_path):
    assert cases(240, 7, tmp_path) == spoilt


def read(file):
    """Size and pixels of a frame, or the error, which must name the file and a remedy."""
    try:
        info = read_info(file)
        pixels = read_pixels(info)
        read_small(info, 1)
    except FrameError as error:
        return error if str(error).startswith(f"{file}: ") and error.remedy else None
    return pixels if pixels.shape == (*info.size_px, 3) else None


def test_every_file_is_read_or_refused_by_name(spoilt, tmp_path):
    reads = [read(file) for file in put(tmp_path / "card", spoilt)]
    refused = sum(isinstance(found, FrameError) for found in reads)
    assert not any(found is None for found in reads)
    assert 40 < refused < 200


def test_every_file_whose_structure_lies_is_read_or_refused_by_name(tmp_path):
    made = lying(130, 5, tmp_path / "scratch")
    reads = [read(file) for file in put(tmp_path / "card", made)]
    assert [case.what for case, found in zip(made, reads, strict=True) if found is None] == []
    assert 30 < sum(isinstance(found, FrameError) for found in reads) < 100


def test_raw_files_whose_directories_go_round_in_circles_end(tmp_path):
    """The library goes round for ever; what is below a directory may be above it."""
    made = [case for case in lying(700, 5, tmp_path / "scratch") if "circle" in case.what]
    made = [case for case in made if case.name.endswith(".dng")]
    assert len(made) >= 5
    assert not any(read(file) is None for file in put(tmp_path / "card", made))


@pytest.mark.parametrize("start", [60, 100])
def test_every_file_of_a_card_ends_in_a_station_or_is_set_aside_with_a_reason(spoilt, tmp_path, start):
    left, right = shells(tmp_path)
    some = spoilt[start : start + 40]
    put(left, some)
    found = look([left, right])
    used = {name for station in found.stations for name in station.frames}
    aside = {item.file for item in found.set_aside if item.reason}
    assert {case.name for case in some} <= used | aside
    assert len(found.stations) >= 2


def test_nothing_but_spoilt_files(spoilt, tmp_path):
    put(tmp_path / "card", [case for case in spoilt if case.what in ("0 bytes", "zeros", "text")])
    with pytest.raises(NearpairError, match="none of the"):
        look([tmp_path / "card"])
