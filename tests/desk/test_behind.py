"""The frames behind the pair as the page asks for them: guarded, bounded, the same as the command line's."""

import io
import time

import numpy as np
import pytest
from PIL import Image

from nearpair.desk.jobs import Jobs
from nearpair.shoot.decisions import Retouch, load
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.sources import Sources


@pytest.fixture
def key(visitor):
    return visitor.enter().json("/state")[1]["pair"]["key"]


def test_a_place_tells_its_frames_to_both_eyes(visitor, key, shoot):
    told = visitor.json(f"/behind/{key}/left/150.0/100.0")[1]
    sources = Sources.open(ShootFolder(shoot))
    expected = sources.of_pair(0, (150.0, 100.0))
    assert told["left"]["frames"] == expected.left.frames
    assert told["left"]["number"] == pytest.approx(expected.left.number)
    assert told["right"]["point_px"] == pytest.approx(expected.right.point_px)
    assert len(told["left"]["sharpness"]) == len(told["left"]["frames"]) == 6
    assert told["done"] == []


def test_a_crop_is_the_registered_frame(visitor, key, shoot):
    status, headers, data = visitor.ask(f"/behind/{key}/right/2/150-100.png")
    assert (status, headers["content-type"]) == (200, "image/png")
    found = np.asarray(Image.open(io.BytesIO(data)))
    assert found.shape == (128, 128, 3)
    np.testing.assert_array_equal(found, Sources.open(ShootFolder(shoot)).crop(1, 2, (150, 100), 128))


NOWHERE = (
    "left/99/150-100.png",
    "left/2/15000-100.png",
    "middle/2/150-100.png",
    f"left/2/{10**40}-1.png",
    "left/-1/150-100.png",
    "middle/10.0/10.0",
    f"left/{'9' * 400}/10.0",
    "left/2000000.0/10.0",
)


@pytest.mark.parametrize("place", NOWHERE)
def test_what_is_not_there(visitor, key, place):
    assert visitor.ask(f"/behind/{key}/{place}")[0] == 404


def test_frames_of_another_mounting_are_not_there(visitor, key):
    assert visitor.ask(f"/behind/{'0' * 32}/left/150.0/100.0")[0] == 404
    assert visitor.ask(f"/behind/{'0' * 32}/left/2/150-100.png")[0] == 404


def test_without_the_key_nothing_is_told(visitor, key):
    visitor.cookie = ""
    assert visitor.ask(f"/behind/{key}/left/150.0/100.0")[0] == 403
    assert visitor.ask(f"/behind/{key}/left/2/150-100.png")[0] == 403


def test_while_work_runs_it_is_told_so(visitor, key, session):
    going = []
    session.jobs.start(
        "wait",
        lambda progress: [going.append(1) or time.sleep(0.01) or progress("w", 1, 2) for _ in range(900)],
    )
    status, told = visitor.json(f"/behind/{key}/left/150.0/100.0")
    session.jobs.stop()
    assert (status, bool(told["remedy"])) == (409, True)
    assert session.jobs.wait(10).state == "stopped"
    assert isinstance(session.jobs, Jobs)


def test_a_retouch_is_decided_mounted_shown_and_taken_back(visitor, key, shoot):
    told = visitor.json(f"/behind/{key}/left/150.0/100.0")[1]["left"]
    other = (round(told["number"]) + 3) % 6
    wanted = {"station": "left", "frame": told["frames"][other], "radius_px": 9, "points": [[150, 100]]}
    revision = visitor.json("/state")[1]["revision"]
    status, state = visitor.json("/decide", {"revision": revision, "changes": {"retouches": [wanted]}})
    assert status == 200
    assert load(shoot / "shoot.toml").retouches == (Retouch("left", wanted["frame"], 9, ((150, 100),)),)
    visitor.json("/run", {"until": "mount"})
    assert visitor.waited()["state"] == "done"
    after = visitor.json("/state")[1]
    assert after["pair"]["key"] != key
    told = visitor.json(f"/behind/{after['pair']['key']}/left/150.0/100.0")[1]
    assert told["left"]["number"] == other
    assert told["done"][0]["frame"] == wanted["frame"]
    visitor.json("/decide", {"revision": state["revision"], "changes": {"retouches": []}})
    visitor.json("/run", {"until": "mount"})
    visitor.waited()
    assert visitor.json("/state")[1]["pair"]["key"] == key


WRONG = (
    {"station": "left"},
    {"station": "left", "frame": "x", "radius_px": 0, "points": [[1, 2]]},
    {"station": "left", "frame": "x", "radius_px": 5, "points": [[1, 2]] * 201},
    {"station": "left", "frame": "x", "radius_px": 5, "points": [[1, 2]], "file": "/etc/hosts"},
)


@pytest.mark.parametrize("wrong", WRONG)
def test_a_retouch_that_makes_no_sense_is_refused(visitor, key, shoot, wrong):
    before = (shoot / "shoot.toml").read_bytes()
    revision = visitor.json("/state")[1]["revision"]
    status, _ = visitor.json("/decide", {"revision": revision, "changes": {"retouches": [wrong]}})
    assert status == 422
    assert (shoot / "shoot.toml").read_bytes() == before


def test_nothing_is_kept_of_a_pair_that_is_not_mounted_any_longer(visitor, key, session):
    visitor.ask(f"/behind/{key}/left/2/150-100.png")
    known = session.behind._sources
    assert known.key == key
    visitor.json("/run", {"until": "mount"})
    visitor.waited()
    assert session.behind._sources is known
    state = visitor.json("/state")[1]
    visitor.json("/decide", {"revision": state["revision"], "changes": {"shift_px": 1.0}})
    visitor.json("/run", {"until": "mount"})
    visitor.waited()
    assert session.behind._sources is None
