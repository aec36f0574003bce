"""What is decided before anything is merged, against the truth of ray-traced scenes.

How they were made small is said in tests/data/make_scenes.py.
"""

import json
import math
import shutil

import numpy as np
import pytest
from PIL import Image

from nearpair.errors import SourceError
from nearpair.frames.metadata import read_info
from nearpair.progress import silent
from nearpair.shoot.decisions import Decisions, Station
from nearpair.shoot.looking import look_at
from nearpair.shoot.memo import Memo
from nearpair.shoot.reading import Reading
from nearpair.shoot.surveying import Keeper, stack_key, survey_factor
from support.tiny import SCENES, cut, only

PARTS = {"shells": ("left", "right"), "gears": ("station_2", "station_4"), "minerals": ("left", "right")}


def truth_of(scene):
    return json.loads((SCENES / scene / "truth" / "truth.json").read_text())


@pytest.fixture(scope="module")
def shots(tmp_path_factory):
    return {scene: cut(scene, parts, tmp_path_factory.mktemp(scene)) for scene, parts in PARTS.items()}


@pytest.fixture(scope="module")
def seen(shots):
    return {scene: look_at(Decisions(), folders, Reading(), None, silent) for scene, folders in shots.items()}


@pytest.mark.parametrize("scene", PARTS)
def test_stations_orders_kind_and_eyes(seen, shots, scene):
    found, truth = seen[scene], truth_of(scene)
    assert [station.name for station in found.stations] == list(PARTS[scene])
    for station, folder in zip(found.stations, shots[scene], strict=True):
        assert station.frames == sorted(file.name for file in folder.iterdir())
        assert station.order == truth["orders"][station.name]
        assert station.kind == truth["kind"]
        assert 0.9 < station.order_confidence < 1.0
        assert station.order_evidence
    assert (found.eyes.left, found.eyes.right) == (truth["left"], truth["right"])
    assert [member.station.name for member in found.pair] == [truth["left"], truth["right"]]
    assert found.set_aside == ()


@pytest.mark.parametrize("scene", PARTS)
def test_both_references_are_the_same_end(seen, scene):
    """Views drawn from different ends would differ in size, and for a rail in perspective."""
    truth = truth_of(scene)
    planes = []
    for member in seen[scene].pair:
        frames = {frame["file"]: frame["focus_plane_z_mm"] for frame in truth["frames"][member.station.name]}
        number = member.survey.used[member.reference]
        assert member.report.reference_frame == number
        depths = [frames[file.path.name] for file in member.station.frames]
        ends = {min(depths): "deepest", max(depths): "nearest"}
        planes.append(ends.get(depths[number], "neither"))
    assert planes in (["deepest"] * 2, ["nearest"] * 2)


@pytest.mark.parametrize("scene", ["shells", "gears"])
def test_growth_along_a_rail_is_what_its_travel_makes_it(seen, scene):
    """A plane at distance u scales by u/(u − dz) in every step (thin lens; shared check values, 7.7)."""
    truth = truth_of(scene)
    distance_mm = truth["ends"]["deepest"]["focus_distance_mm"]
    for station in seen[scene].stations:
        frames = {frame["file"]: frame["focus_plane_z_mm"] for frame in truth["frames"][station.name]}
        closer_mm = frames[station.frames[0]] - frames[station.frames[-1]]
        assert station.registration.scale_total == pytest.approx(math.exp(closer_mm / distance_mm), rel=0.01)
        assert station.registration.roll_deg_max < 0.3
        assert station.registration.set_aside_frames == []


@pytest.mark.parametrize("scene", PARTS)
def test_a_first_account_of_what_is_covered(seen, scene):
    for station in seen[scene].stations:
        assert len(station.focus.share_per_frame) == len(station.frames)
        assert sum(station.focus.share_per_frame) == pytest.approx(1)
        inner = 1 - station.focus.share_per_frame[0] - station.focus.share_per_frame[-1]
        assert station.focus.covered_fraction == pytest.approx(inner)


def test_what_was_given_by_hand_about_one_station(shots):
    given = Decisions(
        stations=(Station(name="left", order="near-to-far"), Station(name="nobody", kind="ring"))
    )
    found = look_at(given, shots["shells"], Reading(), None, silent)
    left = found.stations[0]
    assert left.order == "near-to-far"
    assert left.order_confidence > 0.99
    assert ("given by hand", "near-to-far") in [(cue.cue, cue.says) for cue in left.order_evidence]


def test_one_station_is_looked_at_and_has_no_eyes(shots):
    found = look_at(Decisions(), shots["minerals"][:1], Reading(), None, silent)
    assert found.pair is None
    assert found.eyes is None
    assert found.pair_reason == ""
    assert len(found.stations) == 1
    assert len(found.stations[0].frames) == 6


@pytest.fixture
def own(shots, tmp_path):
    """A copy of the shells that a test may spoil."""
    for folder in shots["shells"]:
        shutil.copytree(folder, tmp_path / folder.name)
    return [tmp_path / folder.name for folder in shots["shells"]]


def test_a_frame_of_something_else_is_left_out_and_named(own):
    """Somebody pressed the button with the cap on; the clock and the number fit."""
    file = sorted(own[0].iterdir())[3]
    with Image.open(file) as picture:
        noise = np.random.default_rng(1).integers(0, 12, (200, 300, 3)).astype(np.uint8)
        Image.fromarray(noise).save(file, quality=95, exif=picture.getexif())
    found = look_at(Decisions(), own, Reading(), None, silent)
    named = [aside.file for aside in found.set_aside] + found.stations[0].registration.set_aside_frames
    assert named == [file.name]
    assert "test shot" in found.set_aside[0].reason
    assert found.stations[0].order == "far-to-near"
    assert found.eyes.left == "left"


def test_strict_refuses_what_would_be_set_aside(own):
    (own[1] / "broken.jpg").write_bytes(b"nothing")
    with pytest.raises(SourceError, match=r"broken\.jpg would be set aside: this is not a picture"):
        look_at(Decisions(strict=True), own, Reading(), None, silent)
    assert [aside.file for aside in look_at(Decisions(), own, Reading(), None, silent).set_aside] == [
        "broken.jpg"
    ]


def test_only_frames_that_cannot_be_decoded(own):
    for folder in own:
        for file in folder.iterdir():
            file.write_bytes(file.read_bytes()[:-2000])
    with pytest.raises(
        SourceError, match=r"No station with usable frames was found\. DO_00\d+\.JPG was set aside"
    ):
        look_at(Decisions(), own, Reading(), None, silent)


def test_what_an_earlier_run_found_is_taken_and_equal(shots, tmp_path):
    keeper = Keeper(Memo(tmp_path, "1"), tmp_path)
    first = look_at(Decisions(), shots["gears"], Reading(), keeper, silent)
    told = []
    again = look_at(Decisions(), shots["gears"], Reading(), keeper, lambda what, *_: told.append(what))
    assert set(told) == {"reading the headers"}
    assert again.stations == first.stations
    assert again.eyes == first.eyes
    for one, other in zip(first.pair, again.pair, strict=True):
        assert one.found == other.found
        assert one.survey.steps == other.survey.steps
        for part in ("sharp", "index", "contrast"):
            np.testing.assert_array_equal(getattr(one.survey, part), getattr(other.survey, part))
    # another version of the program believes nothing of it
    newer = Keeper(Memo(tmp_path, "2"), tmp_path)
    look_at(Decisions(), shots["gears"], Reading(), newer, lambda what, *_: told.append(what))
    assert "comparing the stations" in told


@pytest.mark.parametrize(
    ("size_px", "factor"),
    [
        ((400, 600), 1),
        ((1600, 1600), 1),
        ((1601, 900), 2),
        ((2400, 3600), 3),
        ((4000, 6000), 5),
        ((5464, 8192), 7),
    ],
)
def test_frames_are_looked_at_at_1600_px_and_large_ones_at_1200(size_px, factor):
    assert survey_factor(size_px) == factor


def test_the_digest_of_a_stack_knows_its_order_and_every_frame(shots):
    frames = [read_info(file) for file in sorted(shots["gears"][0].iterdir())]
    keys = {stack_key(frames), stack_key(frames[::-1]), stack_key(frames[:-1]), stack_key([])}
    assert len(keys) == 4
    assert stack_key(frames) == stack_key(list(frames))


def test_two_frames_are_no_stack_to_judge_coverage_by(own):
    found = look_at(Decisions(), only(own, {0, 5}), Reading(), None, silent)
    for station in found.stations:
        assert station.focus.share_per_frame == []
        assert station.focus.covered_fraction == 0
