"""Sorting the ray-traced scenes (ground truth: truth.json beside them) and the real stack real/balls.

The small copies in tests/data always; the full scenes where the folder `shared` lies beside the checkout.
"""

import json
from collections import defaultdict
from dataclasses import fields, replace
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from nearpair.frames.metadata import read_info
from nearpair.frames.read import read_small
from nearpair.stacks.grouping import sort_frames

SHARED = Path(__file__).resolve().parents[3] / "shared"
DATA = Path(__file__).resolve().parents[1] / "data"
FULL = sorted(path.parent.parent for path in SHARED.glob("scenes/*/truth/truth.json"))
SCENES = [*sorted(path for path in (DATA / "scenes").iterdir() if path.is_dir()), *FULL]
BALLS = [DATA / "real" / "balls", *sorted(SHARED.glob("real/balls"))]


@cache
def scene(folder):
    """Return (frames by station in shooting order, luma by original path, truth)."""
    truth = json.loads((folder / "truth" / "truth.json").read_text())
    stations = defaultdict(list)
    luma = {}
    for name, file in entries(folder, truth):
        info = read_info(file)
        stations[name].append(info)
        luma[info.path] = read_small(info, 4 if folder in FULL else 2)
    return dict(stations), luma, {name: about(truth, name) for name in stations}


def entries(folder, truth):
    """Return (station, file) of every frame, in shooting order; small copies keep them by station."""
    if folder in FULL:
        station = truth["stations"]
        return [(e["station"], folder / station[e["station"]]["folder"] / e["file"]) for e in truth["frames"]]
    return [(name, folder / name / e["file"]) for name, frames in truth["frames"].items() for e in frames]


def about(truth, name):
    """Return (place from the left, whether the far end was shot first) of a station."""
    if "orders" in truth:
        return float(name == truth["right"]), truth["orders"][name] == "far-to-near"
    return truth["stations"][name]["x_mm"], truth["stations"][name]["order"] == "far_to_near"


def disguised(folder, change):
    """Return frames by station changed one by one, and a glance that counts its calls."""
    stations, luma, _ = scene(folder)
    pictures, calls = {}, defaultdict(int)
    changed = {name: [] for name in stations}
    number = 0
    for name, frames in stations.items():
        for frame in frames:
            new = change(frame, number)
            changed[name].append(new)
            pictures[new.path] = luma[frame.path]
            number += 1

    def glance(frame):
        calls[frame.path] += 1
        assert calls[frame.path] == 1
        return pictures[frame.path]

    return changed, glance


def stripped(frame):
    kept = {"path", "size_px", "orientation", "bits", "file_number", "bytes", "format"}
    return replace(frame, **{field.name: None for field in fields(frame) if field.name not in kept})


def random_name(frame, number):
    digits = np.random.default_rng(number).integers(0, 10**6)
    return replace(frame, path=Path("card") / f"{digits:06d}.jpg", file_number=int(digits))


CHANGES = {
    "as shot": lambda frame, number: frame,
    "renamed": random_name,
    "without EXIF": lambda frame, number: stripped(frame),
    "whole seconds": lambda frame, number: replace(frame, captured_s=float(int(frame.captured_s))),
}


def names(frames):
    return [frame.path.name for frame in frames]


def shuffled(frames):
    return [frames[i] for i in np.random.default_rng(5).permutation(len(frames))]


@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize("folder", SCENES, ids=lambda path: path.name)
def test_one_card(folder, change):
    stations, glance = disguised(folder, CHANGES[change])
    found = sort_frames([("card", shuffled([f for s in stations.values() for f in s]))], glance)
    assert [names(s.frames) for s in found.stations] == [names(s) for s in stations.values()]
    assert [s.name for s in found.stations] == [f"station-{i + 1}" for i in range(len(stations))]
    assert found.set_aside == ()
    assert any(f"{len(stations)} stations" in note for note in found.notes)


@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize("folder", SCENES, ids=lambda path: path.name)
def test_one_folder_per_station(folder, change):
    stations, glance = disguised(folder, CHANGES[change])
    found = sort_frames([(name, shuffled(frames)) for name, frames in stations.items()], glance)
    assert [(s.name, names(s.frames)) for s in found.stations] == [(k, names(v)) for k, v in stations.items()]
    assert found.set_aside == ()


@pytest.mark.parametrize("folder", SCENES, ids=lambda path: path.name)
def test_nothing_but_pictures(folder):
    """Random names, no EXIF: stations from left to right, order true up to direction, and said so."""
    stations, glance = disguised(folder, lambda frame, number: random_name(stripped(frame), number))
    truth = scene(folder)[2]
    found = sort_frames([("card", shuffled([f for s in stations.values() for f in s]))], glance)
    left_to_right = sorted(stations, key=lambda name: truth[name][0])
    far_first = {name: truth[name][1] for name in stations}
    alike = [names(stations[n] if far_first[n] else stations[n][::-1]) for n in left_to_right]
    assert [names(s.frames) for s in found.stations] in (alike, [line[::-1] for line in alike])
    assert found.set_aside == ()
    assert any("direction" in note and "100 of 100" in note for note in found.notes)


@pytest.mark.parametrize("folder", SCENES, ids=lambda path: path.name)
def test_stacks_all_shot_in_one_direction(folder):
    """Turning every second stack round gives the hard jump: focus far at one end, near at the other."""
    stations, glance = disguised(folder, lambda frame, number: frame)
    truth = scene(folder)[2]
    lines = [v if truth[k][1] else v[::-1] for k, v in stations.items()]
    start = datetime(2024, 1, 1, tzinfo=UTC).timestamp()
    order = [frame.path for line in lines for frame in line]
    timed = [[replace(f, captured_s=start + 2 * order.index(f.path)) for f in line] for line in lines]
    found = sort_frames([("card", [f for line in timed for f in line])], glance)
    assert [names(s.frames) for s in found.stations] == [names(line) for line in lines]


@pytest.mark.parametrize("folder", BALLS, ids=lambda path: path.name)
def test_real_stack_is_one_station(folder):
    frames = [read_info(path) for path in sorted(folder.glob("*.jpg"))]
    found = sort_frames([("balls", shuffled(frames))], lambda frame: read_small(frame, 4))
    assert [names(s.frames) for s in found.stations] == [names(frames)]
    assert found.set_aside == ()


@pytest.mark.parametrize("folder", BALLS, ids=lambda path: path.name)
def test_real_stack_with_random_names(folder):
    frames = [read_info(path) for path in sorted(folder.glob("*.jpg"))]
    luma = {i: read_small(frame, 4) for i, frame in enumerate(frames)}
    renamed = [random_name(frame, i) for i, frame in enumerate(frames)]
    pictures = {frame.path: luma[i] for i, frame in enumerate(renamed)}
    found = sort_frames([("balls", shuffled(renamed))], lambda frame: pictures[frame.path])
    assert [names(s.frames) for s in found.stations] in ([names(renamed)], [names(renamed[::-1])])
