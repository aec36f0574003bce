"""The whole job on a small shoot: resumable, repeatable, never touching a frame, honest about what is wrong.

The frames are cut from a ray-traced scene (tests/data/make_scenes.py); whether the results are right is for
tests/job to say.
"""

import os
import shutil
import sys
from dataclasses import replace

import cv2
import numpy as np
import pytest
import tifffile
from PIL import Image

from nearpair.errors import PairError, ShootError, SourceError
from nearpair.frames.write import read_tiff
from nearpair.outputs.anaglyph import METHODS
from nearpair.shoot.deciding import Overrides
from nearpair.shoot.decisions import load
from nearpair.shoot.run import STAGES, look, make, run
from nearpair.stacks.survey import Lost, survey
from support.pairs import REAL
from support.tiny import contents, only, shells, snapshot

TOUCHING = {
    "os.rename",
    "os.remove",
    "os.mkdir",
    "os.rmdir",
    "os.utime",
    "os.chmod",
    "os.truncate",
    "os.link",
}


class Heard:
    """A progress callback that remembers what it was told."""

    def __init__(self):
        self.steps = []

    def __call__(self, what, done, total):
        assert 0 <= done <= total
        self.steps.append((what, done, total))

    @property
    def stages(self):
        """What was worked on, in order, each once."""
        return list(dict.fromkeys(what for what, _, _ in self.steps))


class Killed(BaseException):
    """Nothing in the job may catch this."""


def killing(at):
    """A progress callback that ends the run at the step (what, done)."""

    def progress(what, done, total):
        if (what, done) == at:
            raise Killed

    return progress


_watched = []


def _hook(event, arguments):
    if _watched and (event in TOUCHING or event == "open"):
        _watched[-1].append((event, arguments))


sys.addaudithook(_hook)  # cannot be taken away; does nothing while nobody watches


@pytest.fixture(scope="module")
def frames(tmp_path_factory):
    return shells(tmp_path_factory.mktemp("frames"))


@pytest.fixture(scope="module")
def first(frames, tmp_path_factory):
    """One undisturbed run, with all that was opened and changed meanwhile."""
    before = [{file: file.stat() for file in (folder, *folder.iterdir())} for folder in frames]
    heard, touched = Heard(), []
    _watched.append(touched)
    try:
        shoot = tmp_path_factory.mktemp("first") / "shoot"
        proof = make(frames, shoot, progress=heard)
    finally:
        _watched.pop()
    return proof, shoot, heard, touched, before


@pytest.fixture(scope="module")
def undisturbed(first):
    """What an undisturbed run gives."""
    return contents(first[1])


@pytest.fixture
def copied(first, tmp_path):
    """The finished shoot, moved elsewhere with its cache."""
    shutil.copytree(first[1], tmp_path / "shoot")
    return tmp_path / "shoot"


def test_everything_that_was_promised_is_there(first, undisturbed):
    proof, shoot, heard, _, _ = first
    assert set(undisturbed) == {
        "shoot.toml",
        "proof.json",
        "proof.html",
        "proof.pdf",
        *(f"views/{eye}{kind}.tif" for eye in ("left", "right") for kind in ("", ".focus")),
        *(f"pair/{name}.tif" for name in ("left", "right", "parallax")),
        *(f"out/anaglyph-red-cyan-{name}.jpg" for name in METHODS if name != "cielab"),
        "out/crossed.jpg",
        "out/outputs.json",
        "out/parallel.jpg",
    }
    assert heard.stages == [
        "reading the headers",
        "looking at the frames",
        "left: looking through the frames",
        "right: looking through the frames",
        "comparing the stations",
        "agreeing on depth: reading frames",
        "agreeing on depth",
        "left: judging what is sharp",
        "left: merging",
        "right: judging what is sharp",
        "right: merging",
        "mounting the pair",
        "writing the outputs",
        "proofing",
    ]
    assert (proof.eyes.left, proof.eyes.right) == ("left", "right")
    assert [station.order for station in proof.stations] == ["far-to-near", "near-to-far"]
    left, right, parallax = (read_tiff(shoot / "pair" / f"{n}.tif") for n in ("left", "right", "parallax"))
    assert left.shape == right.shape == (*parallax.shape, 3)
    assert list(proof.mounting.crop_px[2:]) == [left.shape[1], left.shape[0]]


def test_frames_are_only_read(first, frames):
    """By what the interpreter says was opened and changed, and by what the disk says afterwards."""
    _, _, _, touched, before = first
    read = set()
    for event, arguments in touched:
        paths = [os.fsdecode(a) for a in arguments[:2] if isinstance(a, (str, bytes, os.PathLike))]
        inside = [path for path in paths if any(str(folder) in path for folder in frames)]
        if event == "open" and inside:
            mode, flags = arguments[1], arguments[2]
            assert mode is None or not set(mode) & set("wax+"), arguments
            assert not flags & (os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC), arguments
            read.add(inside[0])
        elif event != "open":
            assert not inside, (event, arguments)
    assert len(read) >= 12
    for folder, known in zip(frames, before, strict=True):
        assert {folder, *folder.iterdir()} == set(known)
        for file, then in known.items():
            now = file.stat()
            assert (now.st_size, now.st_mtime_ns, now.st_ctime_ns, now.st_mode) == (
                then.st_size,
                then.st_mtime_ns,
                then.st_ctime_ns,
                then.st_mode,
            )


def test_the_second_run_does_nothing(first, frames):
    proof, shoot, _, _, _ = first
    before, heard = snapshot(shoot, without=()), Heard()
    again = make(frames, shoot, progress=heard)
    assert heard.stages == ["reading the headers"]
    assert again == proof
    after = snapshot(shoot, without=())
    # the lock is taken, and nothing written
    assert {name for name in before | after if before.get(name) != after.get(name)} <= {".cache/lock"}


def test_a_fresh_run_gives_the_same_bytes(frames, tmp_path, undisturbed):
    make(frames, tmp_path / "another")
    assert contents(tmp_path / "another") == undisturbed


def test_one_thread_gives_the_same_bytes(frames, tmp_path, undisturbed, monkeypatch):
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    threads = cv2.getNumThreads()
    cv2.setNumThreads(1)
    try:
        make(frames, tmp_path / "alone")
    finally:
        cv2.setNumThreads(threads)
    assert contents(tmp_path / "alone") == undisturbed


def test_a_moved_shoot_is_as_finished_as_before(copied, undisturbed):
    heard = Heard()
    run(copied, "proof", progress=heard)
    assert heard.stages == ["reading the headers"]
    assert contents(copied) == undisturbed


def test_without_its_cache_it_only_takes_longer(copied, frames, undisturbed):
    shutil.rmtree(copied / ".cache")
    heard = Heard()
    make(frames, copied, progress=heard)
    assert len(heard.stages) == 14
    assert contents(copied) == undisturbed


def test_another_window_mounts_again_and_merges_nothing(copied, frames, undisturbed, tmp_path):
    before, heard = snapshot(copied), Heard()
    make(frames, copied, Overrides(window="near"), progress=heard)
    assert heard.stages == ["reading the headers", "mounting the pair", "writing the outputs", "proofing"]
    assert load(copied / "shoot.toml").mounting.window == "near"
    near = snapshot(copied)
    assert {name for name in near if near[name][1] == before[name][1]} == {
        name for name in near if name.startswith("views/")
    }
    make(frames, tmp_path / "near", Overrides(window="near"))
    assert contents(tmp_path / "near") == contents(copied)
    make(frames, copied, Overrides(window="auto"))
    assert contents(copied) == undisturbed


def test_another_aspect_is_kept_and_told(copied):
    proof = run(copied, "proof", Overrides(aspect="1:1"))
    _, _, width, height = proof.mounting.crop_px
    assert abs(width - height) <= 1
    assert proof.mounting.crop_rule.startswith(
        "the largest part that both views have, 1 times as wide as high"
    )
    assert proof.mounting.window_rule.startswith("automatic: ")
    assert load(copied / "shoot.toml").mounting.aspect == "1:1"
    assert read_tiff(copied / "pair" / "left.tif").shape[:2] == (height, width)


def test_a_floating_window_is_in_the_outputs_only_and_can_be_forbidden(copied, monkeypatch):
    """With the sides said to be cut: masks in what is published, none in the pair."""
    monkeypatch.setattr("nearpair.shoot.mounting.floating_sides", lambda parallax: (6, 9))
    proof = run(copied, "proof", Overrides(window="far"))
    assert proof.mounting.floating_px == (6, 9)
    left, right = (read_tiff(copied / "pair" / f"{eye}.tif") for eye in ("left", "right"))
    assert left[:, :6].any()
    assert right[:, -9:].any()
    width = proof.picture.width_px
    side_by_side = np.asarray(Image.open(copied / "out" / "parallel.jpg"))
    # JPEG rounds, and rings at the mask's side
    assert side_by_side[:, :4].max() < 12
    assert side_by_side[:, -7:].max() < 12
    assert side_by_side[:, 12:width].mean() > 12
    before = (copied / "out" / "parallel.jpg").read_bytes()
    proof = run(copied, "proof", Overrides(floating="never"))
    assert proof.mounting.floating_px == (0, 0)
    assert (copied / "out" / "parallel.jpg").read_bytes() != before
    assert load(copied / "shoot.toml").mounting.floating == "never"


def test_a_window_point_in_whole_numbers_is_the_same_decision_when_read_back(copied):
    run(copied, "mount", Overrides(window=(150, 100)))
    heard = Heard()
    run(copied, "mount", progress=heard)
    assert heard.stages == ["reading the headers"]
    assert load(copied / "shoot.toml").mounting.window == (150.0, 100.0)


def test_other_glasses_only_write_again(copied):
    views, heard = snapshot(copied / "views"), Heard()
    pair = snapshot(copied / "pair")
    proof = run(copied, "proof", Overrides(glasses="green-magenta", method="grey"), progress=heard)
    assert heard.stages == ["reading the headers", "writing the outputs", "proofing"]
    assert (proof.colour.glasses, proof.colour.method) == ("green-magenta", "grey")
    assert (copied / "out" / "anaglyph-green-magenta-grey.jpg").is_file()
    assert (snapshot(copied / "views"), snapshot(copied / "pair")) == (views, pair)


def test_other_viewing_conditions_only_proof_again_where_the_window_is_placed_by_hand(copied):
    run(copied, "proof", Overrides(window="near"))
    heard = Heard()
    proof = run(copied, "proof", Overrides(screen_width_mm=300.0, distance_mm=450.0, eyes_mm=60.0), heard)
    assert heard.stages == ["reading the headers", "proofing"]
    viewing = load(copied / "shoot.toml").viewing
    assert (viewing.screen_width_mm, viewing.distance_mm, viewing.eyes_mm) == (300.0, 450.0, 60.0)
    assert proof.comfort.viewing.screen_width_mm == 300.0


def test_the_automatic_window_depends_on_the_viewing_conditions(copied):
    """Close before a wide screen less parallax is comfortable behind the window."""
    heard = Heard()
    proof = run(copied, "proof", Overrides(screen_width_mm=1500.0, distance_mm=600.0), heard)
    assert heard.stages[1:] == ["mounting the pair", "writing the outputs", "proofing"]
    # too wide for all of the depth, or else within
    assert proof.comfort.within or "depth centred" in proof.mounting.window_rule


@pytest.mark.parametrize("broken", ["views/right.tif", "pair/parallax.tif", "out/crossed.jpg", "proof.html"])
def test_a_result_that_was_lost_or_changed_is_made_again(copied, undisturbed, broken):
    data = (copied / broken).read_bytes()
    if broken == "proof.html":
        (copied / broken).unlink()
    else:
        (copied / broken).write_bytes(data[: len(data) // 2])
    run(copied, "proof")
    assert contents(copied) == undisturbed


KILLS = [
    ("reading the headers", 5),
    ("looking at the frames", 12),
    ("left: looking through the frames", 6),
    ("right: looking through the frames", 3),
    ("comparing the stations", 1),
    ("agreeing on depth", 1),
    ("left: judging what is sharp", 0),
    ("left: judging what is sharp", 6),
    ("left: merging", 0),
    ("left: merging", 6),
    ("right: merging", 4),
    ("mounting the pair", 0),
    ("mounting the pair", 5),
    ("mounting the pair", 6),
    ("writing the outputs", 1),
    ("writing the outputs", 6),
    ("proofing", 1),
    ("proofing", 4),
    ("proofing", 9),
]


def check_whole_files_only(shoot, undisturbed):
    """What is there under its name is what an undisturbed run gives."""
    there = contents(shoot)
    assert there == {name: undisturbed[name] for name in there}


def test_killed_again_and_again_it_still_gives_the_same_bytes(frames, tmp_path, undisturbed):
    for at in KILLS:
        with pytest.raises(Killed):
            make(frames, tmp_path / "shoot", progress=killing(at))
        check_whole_files_only(tmp_path / "shoot", undisturbed)
    heard = Heard()
    make(frames, tmp_path / "shoot", progress=heard)
    assert heard.stages == ["reading the headers"]
    assert contents(tmp_path / "shoot") == undisturbed


@pytest.mark.parametrize("at", [("left: merging", 3), ("mounting the pair", 3), ("writing the outputs", 4)])
def test_killed_once_it_gives_the_same_bytes(frames, tmp_path, undisturbed, at):
    with pytest.raises(Killed):
        make(frames, tmp_path / "shoot", progress=killing(at))
    check_whole_files_only(tmp_path / "shoot", undisturbed)
    make(frames, tmp_path / "shoot")
    assert contents(tmp_path / "shoot") == undisturbed


def test_killed_while_the_window_is_changed(copied, frames, undisturbed):
    """Half of the old mounting and half of the new one never count as finished."""
    with pytest.raises(Killed):
        make(frames, copied, Overrides(window="far"), killing(("writing the outputs", 2)))
    assert not (copied / "proof.json").exists()
    make(frames, copied, Overrides(window="auto"))
    assert contents(copied) == undisturbed


def test_killed_between_two_files_of_one_stage(copied, undisturbed, monkeypatch):
    """Left and right of the new window, parallax of the old one."""

    def killed(path, plane):
        raise Killed

    with monkeypatch.context() as patched:
        patched.setattr("nearpair.shoot.mounting.write_float_tiff", killed)
        with pytest.raises(Killed):
            run(copied, "mount", Overrides(window="far"))
    assert contents(copied)["pair/right.tif"] != undisturbed["pair/right.tif"]
    run(copied, "proof", Overrides(window="auto"))
    assert contents(copied) == undisturbed


@pytest.mark.parametrize(
    ("until", "there", "missing"),
    [("sort", "shoot.toml", "views"), ("merge", "views/left.tif", "pair"), ("mount", "pair/left.tif", "out")],
)
def test_one_stage_and_those_before_it(frames, tmp_path, until, there, missing):
    with pytest.raises(Killed):
        make(frames, tmp_path / "shoot", progress=killing(("reading the headers", 1)))
    assert run(tmp_path / "shoot", until) is None
    assert (tmp_path / "shoot" / there).is_file()
    assert not (tmp_path / "shoot" / missing).exists()


def test_there_is_no_such_stage(copied):
    with pytest.raises(ShootError, match="There is no stage 'publish'") as failed:
        run(copied, "publish")
    assert failed.value.remedy == f"Choose one of {', '.join(STAGES)}."


def test_looking_finds_the_same_and_writes_nothing(first, frames, tmp_path, monkeypatch):
    proof = first[0]
    monkeypatch.chdir(tmp_path)
    before = [snapshot(folder) for folder in frames]
    found = look(frames)
    assert [(s.name, s.frames, s.order, s.kind) for s in found.stations] == [
        (s.name, s.frames, s.order, s.kind) for s in proof.stations
    ]
    # looking decodes only the luma of a JPEG, making the colours, whose luma is rounded otherwise
    assert (found.eyes.left, found.eyes.right) == (proof.eyes.left, proof.eyes.right)
    assert found.eyes.confidence == pytest.approx(proof.eyes.confidence, abs=2e-3)
    for cue, proofed in zip(found.eyes.evidence, proof.eyes.evidence, strict=True):
        assert (cue.cue, cue.left) == (proofed.cue, proofed.left)
        assert cue.weight == pytest.approx(proofed.weight, abs=0.3)
    assert found.pair_reason == "the shoot has two stations"
    assert [snapshot(folder) for folder in frames] == before
    assert list(tmp_path.iterdir()) == []


class TestDecisions:
    """Overrides are written into shoot.toml, and only what can work is."""

    def test_all_of_them(self, copied):
        given = Overrides(
            left="right",
            right="left",
            window="far",
            screen_width_mm=250.0,
            distance_mm=350.0,
            eyes_mm=58.0,
            glasses="amber-blue",
            method="half-colour",
            strict=True,
        )
        run(copied, "sort", given)
        said = load(copied / "shoot.toml")
        assert (said.left, said.right, said.strict) == ("right", "left", True)
        assert said.mounting.window == "far"
        assert (said.viewing.screen_width_mm, said.viewing.distance_mm, said.viewing.eyes_mm) == (
            250,
            350,
            58,
        )
        assert (said.colour.glasses, said.colour.method) == ("amber-blue", "half-colour")
        assert "# Where the stereo window stands" in (copied / "shoot.toml").read_text()

    def test_what_is_not_given_stays(self, copied):
        run(copied, "sort", Overrides(window="near", eyes_mm=58.0))
        run(copied, "sort", Overrides(strict=True))
        said = load(copied / "shoot.toml")
        assert (said.mounting.window, said.viewing.eyes_mm, said.strict) == ("near", 58.0, True)

    @pytest.mark.parametrize(
        ("given", "text"),
        [
            ({"window": (-5.0, 3.0)}, r"\[mounting\] window: expected .* a point \[x, y\] in px, found -5.0"),
            ({"window": "middle"}, r"\[mounting\] window: expected .*, found 'middle'"),
            ({"eyes_mm": 100.0}, r"\[viewing\] eyes_mm: expected .* 40 to 80 mm, found 100.0"),
            (
                {"distance_mm": 0.0},
                r"\[viewing\] distance_mm: expected a distance of 10 mm to 1 km, found 0.0",
            ),
            ({"screen_width_mm": float("nan")}, r"\[viewing\] screen_width_mm: expected .*, found nan"),
            ({"method": "sepia"}, r"\[colour\] method: expected .*, found 'sepia'"),
            ({"glasses": "pink"}, "There are no glasses named 'pink'"),
            ({"left": "nobody"}, "There is no station 'nobody' in this shoot; it has left, right"),
            ({"left": "left", "right": "left"}, "left was given for both eyes"),
        ],
    )
    def test_what_cannot_work_is_refused_and_not_kept(self, copied, given, text):
        before = contents(copied)
        with pytest.raises(Exception, match=text) as failed:
            run(copied, "proof", Overrides(**given))
        assert isinstance(failed.value, (ShootError, SourceError)) or "glasses" in text
        assert failed.value.remedy
        assert contents(copied) == before

    def test_both_eyes_by_two_names_of_one_station(self, copied, frames):
        with pytest.raises(SourceError, match="left was given for both eyes"):
            run(copied, "sort", Overrides(left="left", right=str(frames[0])))

    def test_the_eyes_given_by_hand_against_the_pictures(self, copied, frames):
        proof = run(copied, "proof", Overrides(left=str(frames[1])))
        assert (proof.eyes.left, proof.eyes.right, proof.eyes.confidence) == ("right", "left", 1.0)
        assert proof.eyes.contradiction.startswith(
            "right was given as the left eye, but the pictures say it is left"
        )
        assert proof.eyes.evidence[0].cue == "given by hand"
        assert proof.verdict == "rework"

    def test_order_and_kind_written_into_the_file(self, copied):
        with (copied / "shoot.toml").open("a") as file:
            file.write('\n[[stations]]\nname = "left"\norder = "near-to-far"\nkind = "ring"\n')
        proof = run(copied, "proof")
        station = next(s for s in proof.stations if s.name == "left")
        assert (station.order, station.kind) == ("near-to-far", "ring")
        assert "given by hand" in [cue.cue for cue in station.order_evidence]


class TestSources:
    """What was pointed at."""

    def test_a_single_station(self, frames, tmp_path):
        with pytest.raises(SourceError, match=r"Only one station was found \(.*, 6 frames\)") as failed:
            make(frames[:1], tmp_path / "shoot")
        assert "other station" in failed.value.remedy
        assert not (tmp_path / "shoot").exists()
        found = look(frames[:1])
        assert len(found.stations) == 1
        assert found.eyes is None

    def test_the_same_folder_twice(self, frames, tmp_path):
        twice = [frames[0], frames[0] / ".." / frames[0].name]
        with pytest.raises(SourceError, match="The same folder was given twice"):
            make(twice, tmp_path / "shoot")

    def test_a_folder_that_is_none(self, frames, tmp_path):
        with pytest.raises(SourceError, match="does not exist"):
            make([frames[0], tmp_path / "nowhere"], tmp_path / "shoot")
        (tmp_path / "file.jpg").write_bytes(b"")
        with pytest.raises(SourceError, match="is not a folder"):
            make([frames[0], tmp_path / "file.jpg"], tmp_path / "shoot")
        assert not (tmp_path / "shoot").exists()

    def test_a_folder_that_is_no_shoot(self, tmp_path):
        with pytest.raises(ShootError, match="there is no shoot here"):
            run(tmp_path, "sort")

    def test_a_shoot_of_other_folders(self, copied, frames):
        with pytest.raises(ShootError, match="was made from other folders") as failed:
            make(frames[:1], copied)
        assert "--to" in failed.value.remedy

    def test_a_new_shoot_whose_window_cannot_be_placed_can_be_continued(self, frames, tmp_path):
        with pytest.raises(PairError, match="lies outside the left view"):
            make(frames, tmp_path / "shoot", Overrides(window=(5000.0, 3.0)))
        heard = Heard()
        make(frames, tmp_path / "shoot", Overrides(window="far"), heard)
        assert "left: merging" not in heard.stages


@pytest.fixture
def own_frames(frames, tmp_path):
    """A copy of the frames that a test may spoil."""
    folders = [tmp_path / "card" / folder.name for folder in frames]
    for source, target in zip(frames, folders, strict=True):
        shutil.copytree(source, target)
    return folders


def cut_short(file):
    data = file.read_bytes()
    file.write_bytes(data[: len(data) // 2])


def shrink(file):
    with Image.open(file) as picture:
        picture.reduce(2).save(file, exif=picture.getexif())


class TestSpoiled:
    """Frames that cannot be used are named with the reason in the proof, and the job goes on."""

    def test_in_the_proof(self, own_frames, tmp_path):
        files = [sorted(folder.iterdir()) for folder in own_frames]
        cut_short(files[0][2])
        shrink(files[1][1])
        (own_frames[0] / "thumbs.jpg").write_bytes(b"no picture")
        proof = make(own_frames, tmp_path / "shoot")
        reasons = {aside.file: aside.reason for aside in proof.set_aside}
        assert set(reasons) == {files[0][2].name, files[1][1].name, "thumbs.jpg"}
        assert "cut short" in reasons[files[0][2].name]
        assert "150 x 100 px where the stack has 300 x 200 px" in reasons[files[1][1].name]
        assert "not a picture" in reasons["thumbs.jpg"]
        assert str(tmp_path) not in (tmp_path / "shoot" / "proof.html").read_text()
        assert [len(station.frames) for station in proof.stations] == [5, 5]
        assert files[0][2].name not in proof.stations[0].frames

    def test_strict_stops_at_the_first(self, own_frames, tmp_path):
        file = sorted(own_frames[0].iterdir())[2]
        cut_short(file)
        with pytest.raises(SourceError, match=f"{file.name} would be set aside: .* cut short") as failed:
            make(own_frames, tmp_path / "shoot", Overrides(strict=True))
        assert failed.value.remedy == "Without --strict the job goes on without it and says so in the proof."
        assert not (tmp_path / "shoot").exists()

    def test_stations_of_different_sizes(self, own_frames, tmp_path):
        for file in own_frames[1].iterdir():
            shrink(file)
        with pytest.raises(SourceError, match=r"different sizes \(left: 300 x 200, right: 150 x 100 px\)"):
            make(own_frames, tmp_path / "shoot")

    def test_a_frame_that_changes_makes_its_survey_and_both_views_again(self, own_frames, tmp_path):
        make(own_frames, tmp_path / "shoot")
        sorted(own_frames[1].iterdir())[0].unlink()
        heard = Heard()
        proof = make(own_frames, tmp_path / "shoot", progress=heard)
        assert "right: looking through the frames" in heard.stages
        assert "left: looking through the frames" not in heard.stages
        # what the eyes agree on comes from both
        assert {"left: merging", "right: merging"} <= set(heard.stages)
        assert [len(station.frames) for station in proof.stations] == [6, 5]
        make(own_frames, tmp_path / "fresh")
        assert contents(tmp_path / "shoot") == contents(tmp_path / "fresh")


def test_a_frame_that_could_not_be_registered_is_left_out_of_the_view(frames, tmp_path, monkeypatch):
    """Numbers in reports and focus maps go on counting the frames as they were shot."""

    def without_the_third(planes, count, progress, rooms):
        found = survey(
            (plane for number, plane in enumerate(planes) if number != 2), count - 1, progress, rooms
        )
        used = tuple(number for number in range(count) if number != 2)
        return replace(found, used=used, lost=(Lost(2, 0.12),))

    monkeypatch.setattr("nearpair.shoot.surveying.survey", without_the_third)
    proof = make(frames, tmp_path / "shoot")
    lost = sorted(frames[0].iterdir())[2].name
    assert any(text.startswith(f"left: {lost} could not be registered") for text in proof.notes)
    left, right = proof.stations
    assert left.registration.set_aside_frames == [lost]
    assert lost in left.frames
    assert (left.reference_frame, right.reference_frame) in ((0, 5), (5, 0))
    assert left.focus.share_per_frame[2] == 0
    assert sum(left.focus.share_per_frame) == pytest.approx(1, abs=1e-5)
    numbers = read_tiff(tmp_path / "shoot" / "views" / "left.focus.tif")
    numbers = numbers[np.isfinite(numbers)]
    assert numbers.min() >= 0
    assert numbers.max() <= 5
    assert np.mean(numbers > 4) > 0.02


class TestSingleFrames:
    """A pair of two photographs, without any stack."""

    def test_the_view_is_the_photograph(self, own_frames, tmp_path):
        proof = make(only(own_frames, {5}), tmp_path / "shoot")
        for station in proof.stations:
            assert (len(station.frames), station.order, station.kind) == (1, "unknown", "single")
            assert station.depth_of_field.unsharp_fraction is not None
        assert proof.verdict in ("ready", "with care", "rework")
        with Image.open(next(own_frames[0].iterdir())) as picture:
            np.testing.assert_array_equal(
                read_tiff(tmp_path / "shoot" / "views" / "left.tif"), np.asarray(picture)
            )

    def test_a_real_pair_becomes_level(self, tmp_path):
        """A camera whose two lenses look up to 5 px past each other (tests/data/real/rockery/SOURCE.txt).

        They look past each other sideways too, so far that the eyes are not sure: that has to be said.
        """
        for number, eye in enumerate(("left", "right")):
            (tmp_path / f"station {number}").mkdir()
            with Image.open(REAL / "rockery" / f"{eye}.jpg") as picture:
                picture.reduce(2).save(tmp_path / f"station {number}" / f"{eye}.jpg", quality=95)
        proof = make([tmp_path / "station 0", tmp_path / "station 1"], tmp_path / "shoot")
        assert abs(proof.mounting.rotation_deg) > 0.1
        assert proof.mounting.residual_vertical_px.rms < 0.5
        assert proof.mounting.residual_vertical_px.p95 < 1.0
        assert proof.eyes.confidence < 0.8
        # two signs that nearly balance: whether they are said to be uncertain or to contradict each other
        codes = {finding.code for finding in proof.advice}
        assert codes & {"eyes-uncertain", "eyes-contradiction"}

    def test_sixteen_bits_stay_sixteen(self, own_frames, tmp_path):
        random, taken = np.random.default_rng(0), {}
        for folder in only(own_frames, {5}):
            file = next(folder.iterdir())
            with Image.open(file) as picture:
                coarse = 257 * np.asarray(picture, np.int64)
            taken[folder.name] = np.clip(coarse + random.integers(-128, 129, coarse.shape), 0, 65535)
            file.unlink()
            tifffile.imwrite(
                file.with_suffix(".tif"), taken[folder.name].astype(np.uint16), photometric="rgb"
            )
        make(own_frames, tmp_path / "shoot")
        for eye in ("left", "right"):
            view, mounted = (
                read_tiff(tmp_path / "shoot" / f"{part}/{eye}.tif") for part in ("views", "pair")
            )
            assert view.dtype == mounted.dtype == np.uint16
            np.testing.assert_array_equal(view, taken[eye])
            assert len(np.unique(mounted % 257)) == 257
        with Image.open(tmp_path / "shoot" / "out" / "parallel.jpg") as picture:
            assert picture.mode == "RGB"


def test_lengths_given_now_are_kept_and_written_as_depth_until_they_are_taken_back(tmp_path):
    folders, shoot = shells(tmp_path / "card"), tmp_path / "shoot"
    proof = make(folders, shoot, Overrides(base_mm=8.0, step_mm=4.0))
    assert (proof.metric.base.stated_mm, proof.metric.step.stated_mm) == (8.0, 4.0)
    kept = load(shoot / "shoot.toml").capture
    assert (kept.base_mm, kept.step_mm, kept.focal_mm) == (8.0, 4.0, None)
    before = snapshot(shoot)
    assert "pair/depth.tif" in before
    assert make(folders, shoot) == proof
    assert snapshot(shoot) == before
    depth, parallax = (read_tiff(shoot / "pair" / name) for name in ("depth.tif", "parallax.tif"))
    assert depth.dtype == np.float32
    assert depth.shape == parallax.shape
    known = np.isfinite(depth)
    assert np.array_equal(known, np.isfinite(parallax))
    assert np.array_equal(depth[known] > 0, parallax[known] > 0)
    toml = (shoot / "shoot.toml").read_text()
    (shoot / "shoot.toml").write_text(
        "\n".join(line for line in toml.splitlines() if not line.startswith(("base_mm", "step_mm"))) + "\n"
    )
    assert run(shoot, "proof").metric is None
    assert not (shoot / "pair" / "depth.tif").exists()


def test_a_depth_map_that_was_lost_is_made_again(tmp_path):
    folders, shoot = shells(tmp_path / "card"), tmp_path / "shoot"
    make(folders, shoot, Overrides(step_mm=4.0))
    depth = shoot / "pair" / "depth.tif"
    first = depth.read_bytes()
    depth.unlink()
    run(shoot, "mount")
    assert depth.read_bytes() == first
