"""Retouches from end to end on a small scene whose truth is known: both eyes, resuming, taking back."""

from pathlib import Path
from shutil import copytree

import cv2
import numpy as np
import pytest
from benchmarks.truth import load as load_truth
from msgspec.structs import replace
from PIL import Image

from nearpair.errors import ShootError
from nearpair.frames.write import read_tiff
from nearpair.geometry.distortion import Distortion
from nearpair.geometry.projective import Projective
from nearpair.pixels.moved import moved
from nearpair.proof.model import decode
from nearpair.shoot import retouching
from nearpair.shoot.deciding import Overrides
from nearpair.shoot.decisions import Retouch, load
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.merging import places_of
from nearpair.shoot.retouches import adrift_of, chosen_of
from nearpair.shoot.run import make, members, run
from nearpair.shoot.sources import Sources
from nearpair.shoot.straightening import laid_part, straight
from nearpair.shoot.trying import Trial
from support.tiny import contents, cut, snapshot

SCENE = Path(__file__).parents[1] / "data" / "scenes" / "shells"
EYES = ("left", "right")


@pytest.fixture(scope="module")
def card(tmp_path_factory):
    return cut("shells", EYES, tmp_path_factory.mktemp("card"), every=3)  # both ends among them


@pytest.fixture(scope="module")
def made(card, tmp_path_factory):
    target = tmp_path_factory.mktemp("made") / "shells"
    make(card, target)
    return target


@pytest.fixture
def shoot(made, tmp_path):
    return copytree(made, tmp_path / "shells")


@pytest.fixture(scope="module")
def proof(made):
    return decode((made / "proof.json").read_bytes())


def frames(proof, eye):
    return next(s for s in proof.stations if s.name == eye).frames


def true_view(proof, eye):
    """The pinhole picture from where the reference frame was taken, as small as the frames here."""
    station = next(s for s in proof.stations if s.name == eye)
    scene = load_truth(SCENE)
    picture = Image.fromarray(scene.view(station.frames[station.reference_frame]))
    return np.asarray(picture.reduce(2), np.float64)


def views(folder, eye, retouched=True):
    shoot = ShootFolder(folder)
    return read_tiff(shoot.view(eye, retouched=retouched)), read_tiff(shoot.focus(eye, retouched=retouched))


def around(shape, point, radius):
    rows, columns = np.mgrid[: shape[0], : shape[1]]
    return np.hypot(columns - point[0], rows - point[1]) <= radius


def db(picture, truth, where):
    return 10 * np.log10(255**2 / np.mean((picture.astype(float) - truth)[where] ** 2))


def calm_place(folder, proof, eye="left", radius=12):
    """A place in the middle where one frame is the sharpest all around, and that frame's number."""
    _, focus = views(folder, eye, retouched=False)
    known = np.where(np.isfinite(focus), focus, -9).astype(np.float32)
    spread = cv2.dilate(known, np.ones((25, 25))) - cv2.erode(known, np.ones((25, 25)))
    spread[:30], spread[-30:], spread[:, :80], spread[:, -80:] = 99, 99, 99, 99
    row, column = np.unravel_index(np.argmin(spread), spread.shape)
    number = int(np.clip(np.rint(np.median(focus[around(focus.shape, (column, row), radius)])), 0, 99))
    return (float(column), float(row)), number


def other_frame(names, number, by=4):
    return names[number + by if number + by < len(names) else number - by]


def decide(folder, *retouches, until="mount"):
    return run(folder, until, Overrides(retouches=tuple(retouches)))


def test_a_wrong_area_is_repaired_towards_the_truth_in_both_eyes(shoot, proof, made):
    point, number = calm_place(made, proof)
    names = frames(proof, "left")
    right = Retouch("left", names[number], 14.0, (point,))
    done = decide(shoot, right, until="proof").retouches[0]
    assert done.other_share == 1
    there = (point[0] + done.shift_px, point[1])
    numbers = [
        frames(proof, eye).index(f) for eye, f in zip(EYES, (done.frame, done.other_frame), strict=True)
    ]
    spoilt = [
        Retouch(eye, other_frame(frames(proof, eye), n), 12.0, (at,), "one")
        for eye, n, at in zip(EYES, numbers, (point, there), strict=True)
    ]
    decide(shoot, *spoilt)
    before = {eye: views(shoot, eye)[0] for eye in EYES}
    decide(shoot, *spoilt, right)
    for eye, at in zip(EYES, (point, there), strict=True):
        after, truth = views(shoot, eye)[0], true_view(proof, eye)
        area = around(after.shape, at, 12)
        merged = db(views(shoot, eye, retouched=False)[0], truth, area)
        assert db(before[eye], truth, area) < merged - 1.5
        assert db(after, truth, area) > db(before[eye], truth, area) + 1.5
        assert db(after, truth, area) > merged - 0.7


def test_the_other_eye_takes_the_frame_on_the_same_plane(shoot, proof, made):
    """The right stack was shot back again: the same plane has the number as many frames from the end."""
    point, number = calm_place(made, proof)
    done = decide(shoot, Retouch("left", frames(proof, "left")[number], 14.0, (point,)), until="proof")
    left, right = (next(s for s in done.stations if s.name == eye) for eye in EYES)
    assert left.order != right.order
    told = done.retouches[0]
    # shared check: the scene's own stations, whose planes of focus are as far apart as frames are numbered
    opposite = len(left.frames) - 1 - number
    assert abs(right.frames.index(told.other_frame) - opposite) <= 1
    for eye, at, frame in ((0, point[0], number), (1, point[0] + told.shift_px, None)):
        focus = views(shoot, EYES[eye])[1]
        found = np.median(focus[around(focus.shape, (at, point[1]), 8)])
        assert abs(found - (frame if frame is not None else right.frames.index(told.other_frame))) <= 0.75
    assert told.other_frame in " ".join(done.notes)


def test_taken_back_everything_is_to_the_byte_what_it_was(shoot, proof, made):
    point, number = calm_place(made, proof)
    before = contents(shoot)
    decide(shoot, Retouch("left", frames(proof, "left")[number], 14.0, (point,)), until="proof")
    during = contents(shoot)
    assert during["views/left.tif"] == before["views/left.tif"]
    assert during["pair/right.tif"] != before["pair/right.tif"]
    assert {"views/left.retouched.tif", "views/right.retouched.focus.tif"} <= set(during)
    decide(shoot, until="proof")
    after = contents(shoot)
    text = {"shoot.toml"}
    assert {k: v for k, v in after.items() if k not in text} == {
        k: v for k, v in before.items() if k not in text
    }
    assert load(shoot / "shoot.toml") == load(made / "shoot.toml")


def test_only_frames_that_are_named_are_decoded_and_nothing_twice(shoot, proof, made, card, monkeypatch):
    point, number = calm_place(made, proof)
    read = []
    pixels = retouching.Reading.pixels
    monkeypatch.setattr(
        retouching.Reading, "pixels", lambda self, frame: read.append(frame.path.name) or pixels(self, frame)
    )
    originals = [snapshot(folder) for folder in card]
    one = Retouch("left", frames(proof, "left")[number], 14.0, (point,))
    done = decide(shoot, one, until="proof").retouches[0]
    assert read == [done.frame, done.other_frame]
    decide(shoot, one, until="proof")
    assert len(read) == 2
    assert [snapshot(folder) for folder in card] == originals


def test_one_eye_leaves_the_other_as_it_is(shoot, proof, made):
    point, number = calm_place(made, proof, "right")
    done = decide(
        shoot, Retouch("right", frames(proof, "right")[number], 9.0, (point,), "one"), until="proof"
    )
    assert (done.retouches[0].other_station, done.retouches[0].other_frame) == (None, None)
    assert not ShootFolder(shoot).view("left", retouched=True).exists()
    assert ShootFolder(shoot).view("right", retouched=True).exists()


def test_what_the_other_eye_does_not_see_is_left_and_told(shoot, proof):
    done = decide(shoot, Retouch("left", frames(proof, "left")[5], 3.0, ((4.0, 100.0),)), until="proof")
    told = done.retouches[0]
    assert told.other_frame is None
    assert "outside" in told.reason
    assert told.reason in " ".join(done.notes)
    merged, kept = views(shoot, "right", retouched=False)[0], views(shoot, "right")[0]
    np.testing.assert_array_equal(merged, kept)


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"frame": "none.jpg"}, "no frame 'none.jpg'"),
        ({"station": "middle"}, "no station 'middle'"),
        ({"points": ((900.0, 20.0),)}, "outside the view of left, 300 x 200 px"),
    ],
)
def test_what_cannot_be_done_is_told_with_what_to_do(shoot, proof, changed, says):
    whole = {
        "station": "left",
        "frame": frames(proof, "left")[3],
        "radius_px": 9.0,
        "points": ((50.0, 50.0),),
    }
    with pytest.raises(ShootError, match=says) as refused:
        decide(shoot, Retouch(**{**whole, **changed}))
    assert refused.value.remedy
    assert load(shoot / "shoot.toml").retouches == ()


def test_a_stopped_run_goes_on_to_the_same_bytes(shoot, proof, made, tmp_path):
    point, number = calm_place(made, proof)
    one = Retouch("left", frames(proof, "left")[number], 14.0, (point,))
    other = copytree(shoot, tmp_path / "other")
    decide(other, one)

    def stopped(what, done, total):
        if what == "retouching" and done == 1:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        run(shoot, "mount", Overrides(retouches=(one,)), stopped)
    run(shoot, "mount")
    for name in ("views/left.retouched.tif", "views/right.retouched.tif", "pair/left.tif", "pair/right.tif"):
        assert (shoot / name).read_bytes() == (other / name).read_bytes()


def test_what_is_tried_is_what_is_made(shoot, proof, made):
    """Pieces shown before a retouch is made are what both views show after it, laid as they are."""
    point, number = calm_place(made, proof)
    names = frames(proof, "left")
    one = Retouch("left", other_frame(names, number), 9.0, (point, (point[0] + 20, point[1] + 6)))
    wrong = other_frame(frames(proof, "right"), number, 2)
    two = Retouch("right", wrong, 7.0, ((point[0] + 9, point[1]),), "one")
    first = Trial(ShootFolder(made), Sources.open(ShootFolder(made))).tried([one], [one])
    done = decide(shoot, one, two, until="proof").retouches
    # before the views were ever matched for it, the depth of the mounted pair serves
    assert [piece.eye for piece in first.pieces] == [0, 1]
    assert first.told[0].other_frame == done[0].other_frame
    assert first.told[0].shift_px == pytest.approx(done[0].shift_px, abs=0.5)
    sources = Sources.open(ShootFolder(shoot))
    found = Trial(ShootFolder(shoot), sources).tried([one, two], [one, two])
    assert [replace(one, shift_px=None) for one in found.told] == [
        replace(one, shift_px=None) for one in done
    ]
    assert found.told[0].shift_px == pytest.approx(done[0].shift_px, abs=1e-3)
    assert found.large == []
    for piece in found.pieces:
        for retouched in (False, True):
            view = read_tiff(ShootFolder(shoot).view(EYES[piece.eye], retouched=retouched))
            size = view.shape[:2]
            whole = laid_part(view, (0, 0), sources.onto(piece.eye), None, (0, 0, *size[::-1]), size)
            x, y, width, height = piece.box
            off = np.abs(piece.picture.astype(int) - whole[y : y + height, x : x + width])
            # frames are resampled to 1/32 px, counted from where the part begins that is worked on
            alike = off.max() <= 8 and np.mean(off > 1) < 0.02
            assert alike if retouched else off.max() > 20


def test_a_retouch_goes_with_the_subject_when_its_view_is_laid_on_another_frame(shoot, proof, made):
    """As when frames are set aside and the view gets another reference frame."""
    point, number = calm_place(made, proof)
    names = frames(proof, "left")
    pair = members(made)
    ends = [0, len(pair[0].survey.used) - 1]
    away = max(ends, key=lambda k: abs(places_of(pair[0])[k].scale - 1))
    place = places_of(pair[0])[away].inverse()
    there = tuple(place.apply(np.array(point)).tolist())
    assert np.hypot(*(np.array(there) - point)) > 0.5
    now = Retouch("left", other_frame(names, number), 9.0, (point,), "one")
    then = Retouch("left", now.frame, 9.0 * place.scale, (there,), "one", names[pair[0].survey.used[away]])
    one, other = chosen_of(pair, [now, then])
    assert other.stroke.points_px[0] == pytest.approx(one.stroke.points_px[0], abs=1e-6)
    assert other.stroke.radius_px == pytest.approx(9)
    gone = replace(then, on="gone.jpg")
    assert adrift_of(pair, [now, then, gone]) == [gone]
    done = decide(shoot, gone, until="proof")
    assert any("gone.jpg, which is not used any longer" in note for note in done.notes)
    assert load(shoot / "shoot.toml").retouches == (gone,)


def test_a_part_is_laid_as_the_whole_is(made):
    """With a lens that bends the corners by some px, and keystone."""
    view = read_tiff(ShootFolder(made).view("left"))
    size = view.shape[:2]
    lens = Distortion("poly3", (-0.04, 0.0, 0.0), size[0] / 2)
    onto = Projective((1.01, 0.02, 5.0), (-0.02, 1.01, -3.0), (1e-6, 2e-6, 1.0))
    whole = moved(straight(view, lens), onto.matrix(), size, cv2.INTER_LANCZOS4, cv2.BORDER_REFLECT_101)
    box = (60, 20, 80, 50)
    corners = np.array([[60, 20], [140, 20], [60, 70], [140, 70]], float)
    at = lens.bent(onto.inverse().apply(corners), size)
    x, y = (np.floor(at.min(axis=0)).astype(int) - 24).clip(0)
    right, bottom = np.ceil(at.max(axis=0)).astype(int) + 24
    part = laid_part(view[y:bottom, x:right], (x, y), onto, lens, box, size)
    assert np.abs(part.astype(int) - whole[20:70, 60:140]).max() <= 2
