"""Several stations: all pairs ranked, each station merged once, the choice kept; against ray-traced truth."""

import itertools
import json
from dataclasses import replace

import msgspec
import numpy as np
import pytest
from PIL import Image

from nearpair.errors import SourceError
from nearpair.frames.metadata import read_info
from nearpair.pairs.eyes import StackEvidence
from nearpair.pairs.glance import Glance
from nearpair.progress import silent
from nearpair.proof.model import decode
from nearpair.shoot import candidates as candidates_module
from nearpair.shoot.companions import Companions
from nearpair.shoot.deciding import Overrides
from nearpair.shoot.decisions import Decisions, ViewingConditions, load
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.looking import look_at
from nearpair.shoot.memo import Memo
from nearpair.shoot.reading import Reading
from nearpair.shoot.run import candidates, make, program, run
from nearpair.shoot.surveying import Keeper
from support.five import NAMES, ORDERS, X_MM, five
from support.tiny import only


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    return five(tmp_path_factory.mktemp("five"))


@pytest.fixture(scope="module")
def keeper(tmp_path_factory):
    """Surveys and comparisons are made once for all tests here."""
    folder = tmp_path_factory.mktemp("kept")
    return Keeper(Memo(folder, "1"), folder)


def seen(folders, keeper, names=NAMES, **decided):
    return look_at(Decisions(**decided), [folders[name] for name in names], Reading(), keeper, silent)


def listed(found):
    return found.ranked.candidates(found.eyes)


@pytest.fixture(scope="module")
def found(folders, keeper):
    return seen(folders, keeper)


def test_the_pair_of_the_truth_is_chosen(found):
    # truth.json of the scene: left station_2, right station_4, base 1/33 of the nearest distance
    assert (found.eyes.left, found.eyes.right) == ("station_2", "station_4")
    assert found.pair_reason == (
        "station_2 and station_4 of 5 stations: "
        "the narrowest base that gives enough depth, comfortable to look at"
    )
    assert [c.chosen for c in listed(found)] == [True] + 9 * [False]


def test_every_pair_is_measured_once_with_its_true_base(found):
    rows = listed(found)
    pairs = {frozenset((c.left, c.right)) for c in rows}
    assert pairs == {frozenset(pair) for pair in itertools.combinations(NAMES, 2)}
    for c in rows:
        assert c.base_share == pytest.approx((X_MM[c.right] - X_MM[c.left]) / 12, abs=0.01)
        assert c.far_arcmin - c.near_arcmin == pytest.approx(c.range_arcmin)


def test_depth_grows_with_the_base(found):
    by_base = {}
    for c in listed(found):
        by_base.setdefault(round(4 * c.base_share), []).append(c.range_arcmin)
    means = [np.mean(by_base[quarters]) for quarters in (1, 2, 3, 4)]
    # the narrowest base gives 2 px of depth here, of which matching and percentiles take their share
    assert means[1] / means[0] == pytest.approx(2, rel=0.25)
    # more than in proportion: what both views have in common is narrower, and is shown as wide
    assert 1.45 < means[2] / means[1] < 1.75
    assert 1.9 < means[3] / means[1] < 2.4


def test_orders_are_the_true_ones_for_all_stations(found):
    assert {s.name: s.order for s in found.stations} == ORDERS
    assert {s.kind for s in found.stations} == {"rail"}


def test_a_glance_tells_the_eyes_of_every_pair(found):
    for told in found.ranked.pairs.told:
        assert told.eyes() == (told.first, told.second)  # they were shot from left to right
        assert told.found.confidence > 0.98


@pytest.mark.parametrize("pair", [("station_5", "station_1"), ("station_1", "station_2")])
def test_a_pair_by_hand_leaves_its_eyes_to_the_pictures(folders, keeper, pair):
    found = seen(folders, keeper, pair=pair)
    assert (found.eyes.left, found.eyes.right) == tuple(sorted(pair))
    assert 0.98 < found.eyes.confidence < 1
    assert found.eyes.contradiction is None
    assert found.pair_reason == " and ".join(sorted(pair)) + " of 5 stations: chosen by hand"


def test_a_station_is_heard_with_the_same_companion_whatever_the_pair(folders, keeper):
    companions = {}
    for pair in (("station_5", "station_1"), ("station_1", "station_2"), ("station_2", "station_4")):
        found = seen(folders, keeper, pair=pair)
        for member, heard in zip(found.pair, found.heard, strict=True):
            names = tuple(m.station.name for m in heard)
            assert member.station.name in names
            assert names == tuple(sorted(names))
            companions.setdefault(member.station.name, set()).add(names)
    assert companions["station_1"] == {("station_1", "station_3")}
    assert companions["station_2"] == companions["station_4"] == {("station_2", "station_4")}
    assert {len(names) for names in companions.values()} == {1}


@pytest.mark.parametrize(
    ("viewing", "pair"),
    [
        # a lecture hall, where the screen takes up less of what is seen, and a large screen near by
        (ViewingConditions(1200, 2500), ("station_1", "station_5")),
        (ViewingConditions(3000, 1300), ("station_1", "station_2")),
    ],
)
def test_other_viewing_conditions_another_pair(folders, keeper, viewing, pair):
    found = seen(folders, keeper, viewing=viewing)
    width = X_MM[pair[1]] - X_MM[pair[0]]
    assert X_MM[found.eyes.right] - X_MM[found.eyes.left] == width


def test_three_stations_in_any_order(folders, keeper):
    found = seen(folders, None, ("station_4", "station_1", "station_3"))
    assert (found.eyes.left, found.eyes.right) == ("station_1", "station_3")
    assert [s.name for s in found.stations] == ["station_4", "station_1", "station_3"]
    positions = found.ranked.pairs.positions_px
    assert positions[1] < positions[2] < positions[0]
    # the first of the stations stands to the right of both others
    assert [told.eyes() for told in found.ranked.pairs.told] == [(1, 0), (2, 0), (1, 2)]


def test_a_station_with_few_frames_comes_last_and_says_so(tmp_path):
    folders = five(tmp_path, ("station_3", "station_4", "station_5"))
    for file in sorted(folders["station_4"].iterdir())[4:]:
        file.unlink()
    found = seen(folders, None, tuple(folders))
    assert (found.eyes.left, found.eyes.right) == ("station_3", "station_5")
    rows = listed(found)
    few = [c for c in rows if "station_4" in (c.left, c.right)]
    assert rows[1:] == few
    assert {c.verdict for c in few} == {"few frames"}
    assert all(c.reason.startswith("station_4 has 4 usable frames, another station 10; ") for c in few)


@pytest.mark.parametrize(
    ("decided", "said"),
    [
        (
            {"pair": ("station_2", "nine")},
            "There is no station 'nine' in this shoot; it has station_1, station_2",
        ),
        ({"pair": ("station_2", "./station_2")}, "There is no station './station_2'"),
        (
            {"pair": ("station_2", "station_3"), "left": "station_1"},
            "station_1 was given as the left eye, but the pair was given as station_2 and station_3.",
        ),
    ],
)
def test_a_wrong_pair_names_the_known_stations(folders, keeper, decided, said):
    with pytest.raises(SourceError) as failed:
        seen(folders, keeper, **decided)
    assert failed.value.message.startswith(said)


def test_a_pair_of_one_station_by_name_and_by_folder(folders, keeper):
    with pytest.raises(SourceError, match="a pair needs two stations"):
        seen(folders, keeper, pair=("station_2", str(folders["station_2"])))


@pytest.fixture(scope="module")
def job(tmp_path_factory):
    """A shoot of three of the stations, five frames each, and what was said while it was made."""
    shoot, heard = tmp_path_factory.mktemp("job") / "shoot", []
    sources = list(five(shoot.parent, ("station_1", "station_2", "station_4")).values())
    only(sources, range(0, 10, 2))
    proof = make(sources, shoot, Overrides(base_mm=6.0), lambda what, *_: heard.append(what))
    return shoot, sources, proof, heard


def test_the_job_merges_only_the_pair_and_says_what_else_there_was(job):
    shoot, _, proof, heard = job
    assert {what for what in heard if what.endswith("merging")} == {
        "station_2: merging",
        "station_4: merging",
    }
    assert (proof.eyes.left, proof.eyes.right) == ("station_2", "station_4")
    assert [(c.left, c.right) for c in proof.candidates if c.chosen] == [("station_2", "station_4")]
    by_names = {(c.left, c.right): c for c in proof.candidates}
    assert by_names["station_1", "station_4"].base_mm == pytest.approx(9.0, rel=0.03)
    # what small pictures said is what the proof measures on the finished pair
    chosen = by_names["station_2", "station_4"]
    assert chosen.range_arcmin == pytest.approx(proof.depth.relief.range_arcmin, rel=0.1)
    assert chosen.near_arcmin == pytest.approx(proof.comfort.near_arcmin, abs=4)
    assert chosen.relief == pytest.approx(proof.depth.relief.score, rel=0.15)
    assert decode((shoot / "proof.json").read_bytes()).candidates == proof.candidates


def test_the_base_for_next_time_is_a_note_in_numbers(job):
    _, _, proof, _ = job
    (finding,) = [f for f in proof.advice if f.code == "next-base"]
    assert finding.severity == "note"
    assert proof.next_base.fills_mm == pytest.approx(6.0 * proof.next_base.fills, rel=0.02)
    # in proportion: a base so much wider than this one would have so much more depth; 120 arcmin are allowed
    assert proof.next_base.fills * proof.depth.relief.range_arcmin == pytest.approx(120, rel=0.1)
    assert f"{proof.next_base.fills:.2g} times this one ({proof.next_base.fills_mm:.2g} mm)" in finding.remedy


def test_another_pair_merges_only_what_is_new_and_back_again_nothing(job):
    shoot = job[0]
    views = shoot / "views"
    before = {name: (views / f"{name}.tif").stat().st_mtime_ns for name in ("station_2", "station_4")}

    def steps(overrides, until="merge"):
        told = []
        proof = run(shoot, until, overrides, lambda what, *_: told.append(what))
        return proof, {what for what in told if what.endswith("merging")}

    proof, merged = steps(Overrides(pair=("station_4", "station_1")), "proof")
    assert merged == {"station_1: merging"}
    assert (proof.eyes.left, proof.eyes.right) == ("station_1", "station_4")
    assert load(shoot / "shoot.toml").pair == ("station_4", "station_1")
    assert "The stated base of 6 mm counts for station_1 and station_4." in proof.notes
    _, merged = steps(Overrides(left="station_4", right="station_2"))
    assert merged == set()
    assert load(shoot / "shoot.toml").pair == ()
    # the eyes of another pair were another decision
    _, merged = steps(Overrides(pair=("station_1", "station_2")))
    assert merged == set()
    decided = load(shoot / "shoot.toml")
    assert (decided.left, decided.right, decided.pair) == ("", "", ("station_1", "station_2"))
    assert before == {name: (views / f"{name}.tif").stat().st_mtime_ns for name in before}
    with Image.open(shoot / "out" / "candidates.jpg") as sheet:
        assert sheet.size[0] == 3 * 460 + 20


def test_eyes_given_for_the_same_pair_stay(job):
    shoot, _, _, _ = job
    run(shoot, "sort", Overrides(left="station_4", right="station_2"))
    run(shoot, "sort", Overrides(pair=("station_2", "station_4")))
    decided = load(shoot / "shoot.toml")
    assert (decided.left, decided.right, decided.pair) == (
        "station_4",
        "station_2",
        ("station_2", "station_4"),
    )
    run(shoot, "sort", Overrides(pair=("station_1", "station_4")))
    assert load(shoot / "shoot.toml").left == ""


def test_a_wrong_pair_is_not_kept(job):
    shoot, _, _, _ = job
    before = (shoot / "shoot.toml").read_bytes()
    with pytest.raises(SourceError, match="There is no station 'west'"):
        run(shoot, "sort", Overrides(pair=("station_1", "west")))
    assert (shoot / "shoot.toml").read_bytes() == before


def test_two_stations_are_one_row_and_nothing_is_said_of_choosing(folders, tmp_path):
    shoot = tmp_path / "shoot"
    ShootFolder.open_or_create(shoot, [folders["station_2"], folders["station_4"]])
    told = []
    found = candidates(shoot, progress=lambda what, *_: told.append(what))
    assert [(c.left, c.right, c.chosen) for c in found.candidates] == [("station_2", "station_4", True)]
    assert found.next_base is None
    assert found.pair_reason == "the shoot has two stations"
    assert (shoot / "out" / "candidates.jpg").stat().st_size > 10_000
    assert not (shoot / "views").exists()
    again = candidates(shoot, progress=lambda what, *_: told.append(f"again {what}"))
    assert msgspec.json.encode(again) == msgspec.json.encode(found)
    assert {what for what in told if what.startswith("again")} == {"again reading the headers"}
    # nobody who has two stations is shown a table of one pair
    assert (
        seen(folders, Keeper(Memo(shoot / ".cache", program()), shoot / ".cache"), NAMES[1:4:2]).ranked
        is None
    )


def test_of_very_many_pairs_those_nearest_to_one_thirtieth_are_looked_at(found, monkeypatch):
    looked, pairs = [], found.ranked.pairs

    def recalled(first, second, points, stacks):
        looked.append((stacks[0].name, stacks[1].name))
        told = pairs.between(*(NAMES.index(stack.name) for stack in stacks))
        return Glance(told.found, told.shift_px, told.left, told.right, pairs.disparities[0])

    monkeypatch.setattr(candidates_module, "MOST_PAIRS", 6)
    monkeypatch.setattr(candidates_module, "glance", recalled)
    stacks = [StackEvidence(name, 10) for name in NAMES]
    rows, _ = candidates_module._looked(pairs.views, stacks, None, silent)
    assert looked[:4] == list(itertools.pairwise(NAMES))
    assert len(rows) == len(looked) == len(set(looked)) == 6
    # three picture widths: 1/30 is a tenth of the width, and neighbours stand 1/18 apart
    assert {b for _, b in looked[4:]} <= {"station_3", "station_4", "station_5"}


def test_positions_without_one_comparison_and_with_a_stranger(found):
    told = [t for t in found.ranked.pairs.told if (t.first, t.second) not in {(0, 1), (0, 4)}]
    whole = found.ranked.pairs.positions_px
    positions = candidates_module._positions(told, 5)
    assert np.allclose(np.diff(positions), np.diff(whole), atol=0.5)
    apart = [t for t in told if 3 not in (t.first, t.second)]
    positions = candidates_module._positions(apart, 5)
    assert positions[3] is None
    assert None not in positions[:3]
    companions = Companions(replace(found.ranked.pairs, positions_px=tuple(positions)), None)
    assert companions.of(3) is None
    assert companions.heard(3, (0, 3)) == (0, 3)
    assert 3 not in {companions.of(k) for k in (0, 1, 2, 4)}


def test_the_result_for_programs_is_json(found):
    rows = json.loads(msgspec.json.encode(listed(found)))
    assert set(rows[0]) >= {"left", "right", "base_share", "near_arcmin", "far_arcmin", "relief", "verdict"}


def test_frames_of_the_five_stations_are_those_of_one_camera(folders):
    sizes = {read_info(file).size_px for folder in folders.values() for file in folder.iterdir()}
    assert sizes == {(400, 600)}
