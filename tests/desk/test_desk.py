"""What the desk tells, decides and runs: the same as the command line does, and nothing is lost."""

import io
import json
import time
import tomllib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from nearpair.desk.jobs import BusyError, Jobs
from nearpair.desk.serve import serving
from nearpair.desk.session import Session
from nearpair.desk.tiles import TILE_PX
from nearpair.errors import NearpairError
from nearpair.frames.write import read_tiff
from nearpair.outputs.anaglyph import anaglyph
from nearpair.outputs.glasses_page import glasses_page
from nearpair.shoot.deciding import Overrides
from nearpair.shoot.decisions import load
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.glassesfile import glasses_named
from nearpair.shoot.run import run
from nearpair.shoot.showing import mixed, mixture_key
from nearpair.shoot.shown import pair_as_seen
from support.desk import Visitor


@pytest.fixture
def state(visitor):
    return visitor.enter().json("/state")[1]


def test_the_page_is_told_what_is_decided_and_measured(state, shoot):
    proof = json.loads((shoot / "proof.json").read_text())
    assert state["decisions"]["mounting"]["window"] == "auto"
    assert state["pair"]["mounting"]["crop_px"] == proof["mounting"]["crop_px"]
    assert state["pair"]["near_px"] == pytest.approx(proof["depth"]["near_px"], abs=0.01)
    assert state["proof"]["verdict"] == proof["verdict"]
    assert "parallel.jpg" in state["files"]


def test_the_limits_are_those_of_the_proof(state, shoot):
    comfort = json.loads((shoot / "proof.json").read_text())["comfort"]
    width = state["pair"]["mounting"]["crop_px"][2]
    near = comfort["limits"]["one-degree"]["near_mm"] / comfort["viewing"]["screen_width_mm"] * width
    assert state["pair"]["limits"]["near_px"] == pytest.approx(near, rel=1e-4)


def piece(visitor, key, what, level=0, column=0, row=0):
    status, _, data = visitor.ask(f"/picture/{key}/{what}/{level}/{column}-{row}.png")
    return np.asarray(Image.open(io.BytesIO(data))) if status == 200 else status


@pytest.mark.parametrize("what", ["left", "right"])
def test_inside_the_crop_the_pictures_are_the_mounted_pair_to_the_byte(state, visitor, shoot, what):
    x, y, width, height = state["pair"]["mounting"]["crop_px"]
    whole = piece(visitor, state["pair"]["key"], what)
    assert whole.shape[0] <= TILE_PX
    seen = dict(zip(("left", "right"), pair_as_seen(ShootFolder(shoot)), strict=True))[what]
    np.testing.assert_array_equal(whole[y : y + height, x : x + width], seen)


def test_around_the_crop_the_right_picture_lies_as_if_the_crop_were_larger(state, visitor):
    """The rest of the view joins the mounted pair without a seam."""
    x, y, width, height = state["pair"]["mounting"]["crop_px"]
    whole = piece(visitor, state["pair"]["key"], "right").astype(float)
    inside = np.abs(whole[y + height - 2, x : x + width] - whole[y + height - 3, x : x + width]).mean()
    across = np.abs(whole[y + height, x : x + width] - whole[y + height - 1, x : x + width]).mean()
    assert y + height < whole.shape[0]
    assert across < 2 * inside + 1


def test_the_exact_anaglyph_is_that_of_the_export(state, visitor, shoot):
    x, y, width, height = state["pair"]["mounting"]["crop_px"]
    colour = load(shoot / "shoot.toml").colour
    floating = state["pair"]["mounting"]["floating_px"]
    assert floating == [0, 0]
    expected = anaglyph(*pair_as_seen(ShootFolder(shoot)), glasses_named(colour.glasses), colour.method)
    whole = piece(visitor, state["pair"]["key"], state["mixed"])
    np.testing.assert_array_equal(whole[y : y + height, x : x + width], expected)


def test_an_anaglyph_of_other_decisions_is_not_there(state, visitor):
    assert piece(visitor, state["pair"]["key"], "mixed-0123") == 404


@pytest.mark.parametrize(
    "place", ["left/0/9-9", "left/99/0-0", "middle/0/0-0", "depth/0/0-9", "left/-1/0-0", "left/0/0--1"]
)
def test_pieces_that_are_not_there(state, visitor, place):
    assert visitor.ask(f"/picture/{state['pair']['key']}/{place}.png")[0] == 404


def test_pictures_of_another_mounting_are_not_there(state, visitor):
    assert piece(visitor, "0" * 32, "left") == 404


def test_the_map_is_the_parallax(state, visitor, shoot):
    rows, columns = state["pair"]["map"]["size_px"]
    assert state["pair"]["map"]["factor"] == 1
    data = visitor.ask(f"/map/{state['pair']['key']}")[2]
    found = np.frombuffer(data, "<f4").reshape(rows, columns)
    np.testing.assert_array_equal(found, read_tiff(ShootFolder(shoot).parallax))


def test_depth_is_a_picture_of_the_same_size(state, visitor):
    key = state["pair"]["key"]
    assert piece(visitor, key, "depth").shape == piece(visitor, key, "left").shape


def test_a_decision_is_written_at_once_and_nothing_else_is_changed(state, visitor, shoot):
    before = tomllib.loads((shoot / "shoot.toml").read_text())
    changes = {"window": [150, 90], "shift_px": 0.3, "method": "grey"}
    status, after = visitor.json("/decide", {"revision": state["revision"], "changes": changes})
    assert status == 200
    kept = tomllib.loads((shoot / "shoot.toml").read_text())
    before["mounting"]["window"] = [150, 90]
    before["adjust"]["shift_px"], before["colour"]["method"] = 0.3, "grey"
    assert kept == before
    assert after["revision"] != state["revision"]


def test_a_decision_on_what_no_longer_holds_is_refused(state, visitor, shoot):
    text = (shoot / "shoot.toml").read_text().replace('aspect = "auto"', 'aspect = "1:1"')
    (shoot / "shoot.toml").write_text(text)
    status, told = visitor.json("/decide", {"revision": state["revision"], "changes": {"method": "grey"}})
    assert status == 409
    assert "changed meanwhile" in told["message"]
    assert (shoot / "shoot.toml").read_text() == text


WRONG = (
    {"changes": {}},
    {"revision": "x", "changes": {"window": "middle"}},
    {"revision": "x", "changes": {"colour": "grey"}},
    {"revision": "x", "changes": {"shift_px": "far"}},
    {"revision": 3, "changes": {}},
    [],
)


@pytest.mark.parametrize("body", WRONG)
def test_what_makes_no_sense_is_refused_and_changes_nothing(state, visitor, shoot, body):
    before = (shoot / "shoot.toml").read_bytes()
    if isinstance(body, dict) and body.get("revision") == "x":
        body = {**body, "revision": state["revision"]}
    status, told = visitor.json("/decide", body)
    assert status == 422
    assert told["message"]
    assert (shoot / "shoot.toml").read_bytes() == before


@pytest.mark.parametrize("changes", [{"scale": 7}, {"aspect": "wide"}, {"base_share": 0}, {"eyes_mm": 5}])
def test_values_that_cannot_be_decided_are_refused_with_the_key(state, visitor, changes):
    status, told = visitor.json("/decide", {"revision": state["revision"], "changes": changes})
    assert status == 422
    assert next(iter(changes)).split("_")[0] in told["message"]


def test_a_page_cannot_have_files_read_by_naming_them_as_glasses(state, visitor, tmp_path):
    (tmp_path / "secret.toml").write_text('key = "value"')
    changes = {"glasses": str(tmp_path / "secret.toml")}
    status, told = visitor.json("/decide", {"revision": state["revision"], "changes": changes})
    assert status == 422
    assert "key" not in told["message"]


def test_a_file_that_is_wrong_is_told_and_the_desk_stays_open(state, visitor, shoot):
    (shoot / "shoot.toml").write_text("version = 'one'")
    told = visitor.json("/state")[1]
    assert "version" in told["trouble"]["message"]


def test_mounting_from_the_desk_is_mounting_from_the_command_line(state, visitor, shoot, made, tmp_path):
    changes = {"window": "near", "shift_px": 1.5, "raise_px": 0.5}
    visitor.json("/decide", {"revision": state["revision"], "changes": changes})
    visitor.json("/run", {"until": "mount"})
    assert visitor.waited()["state"] == "done"
    from shutil import copytree

    other = copytree(made, tmp_path / "other")
    run(other, "mount", Overrides(window="near", shift_px=1.5, raise_px=0.5))
    for name in ("left.tif", "right.tif", "parallax.tif"):
        assert (shoot / "pair" / name).read_bytes() == (other / "pair" / name).read_bytes()


def test_moving_the_window_by_hand_moves_everything_as_far(state, visitor):
    before = state["pair"]
    visitor.json("/decide", {"revision": state["revision"], "changes": {"shift_px": 2.5}})
    visitor.json("/run", {"until": "mount"})
    visitor.waited()
    after = visitor.json("/state")[1]["pair"]
    moved = after["mounting"]["shift_px"] - before["mounting"]["shift_px"]
    assert moved == pytest.approx(2.5, abs=1e-6)
    assert after["near_px"] - before["near_px"] == pytest.approx(2.5, abs=0.4)
    assert "by hand" in after["mounting"]["window_rule"]


def test_exported_files_can_be_fetched(state, visitor, shoot):
    status, headers, data = visitor.ask("/out/parallel.jpg")
    assert (status, headers["content-type"]) == (200, "image/jpeg")
    assert data == (shoot / "out" / "parallel.jpg").read_bytes()


def test_files_that_are_older_than_the_picture_are_told_and_made_again(state, visitor, shoot):
    assert state["older"] == {}
    before = (shoot / "out" / "parallel.jpg").read_bytes()
    visitor.json("/decide", {"revision": state["revision"], "changes": {"shift_px": 2.0}})
    assert set(visitor.json("/state")[1]["older"]) == set(state["files"])
    visitor.json("/run", {"until": "mount"})
    visitor.waited()
    assert visitor.json("/state")[1]["older"]["parallel.jpg"] == "the pair was mounted anew"
    assert visitor.json("/again", {})[1]["name"] == "again"
    assert visitor.waited()["state"] == "done"
    assert visitor.json("/state")[1]["older"] == {}
    assert (shoot / "out" / "parallel.jpg").read_bytes() != before


def test_what_the_proof_advises_can_be_decided_as_it_is_told(state, visitor, shoot):
    """With the window behind everything, sides cut what stands in front, and there is a remedy."""
    visitor.json("/decide", {"revision": state["revision"], "changes": {"window": "far"}})
    visitor.json("/run", {"until": "proof"})
    assert visitor.waited()["state"] == "done"
    told = visitor.json("/state")[1]
    fixes = [fix for advice in told["proof"]["advice"] for fix in advice["fixes"]]
    assert {"window": "near"} in fixes
    for fix in fixes:
        revision = visitor.json("/state")[1]["revision"]
        status, _ = visitor.json("/decide", {"revision": revision, "changes": fix})
        assert status == 200
    assert load(shoot / "shoot.toml").mounting.window in ("near", "auto")


def test_the_proof_is_shown_without_scripts(state, visitor, shoot):
    status, headers, data = visitor.ask("/proof")
    assert status == 200
    assert "sandbox" in headers["content-security-policy"]
    assert data == (shoot / "proof.html").read_bytes()


def test_events_tell_of_the_work_and_of_edits(state, visitor, shoot):
    from http.client import HTTPConnection

    connection = HTTPConnection("127.0.0.1", visitor.address.port, timeout=20)
    connection.request("GET", "/events", headers={"cookie": visitor.cookie})
    answer = connection.getresponse()
    first = json.loads(answer.readline().removeprefix(b"data: "))
    assert first["job"]["state"] == "none"
    answer.readline()
    (shoot / "shoot.toml").write_text((shoot / "shoot.toml").read_text() + "# seen\n")
    second = json.loads(answer.readline().removeprefix(b"data: "))
    assert second["changed"] > first["changed"]
    connection.close()


def test_from_a_card_to_a_proof(card, tmp_path):
    target = tmp_path / "new"
    with serving(Session(target, card)) as address:
        visitor = Visitor(address).enter()
        assert visitor.json("/state")[1]["begun"] is False
        visitor.json("/sort", {})
        assert visitor.waited()["state"] == "done"
        look = visitor.json("/state")[1]["look"]
        assert [len(station["frames"]) for station in look["stations"]] == [6, 6]
        assert not target.exists()
        visitor.json("/run", {"until": "proof"})
        assert visitor.waited()["state"] == "done"
        state = visitor.json("/state")[1]
    assert state["begun"]
    assert state["proof"]["verdict"]


def test_what_goes_wrong_is_told_with_what_to_do(tmp_path):
    (tmp_path / "card").mkdir()
    session = Session(tmp_path / "new", [tmp_path / "card"])
    session.start_sorting()
    status = session.jobs.wait(30)
    assert status.state == "failed"
    assert status.message
    assert status.remedy


def test_one_work_at_a_time_which_can_be_stopped():
    jobs, going = Jobs(), []

    def work(progress):
        for step in range(10_000):
            going.append(step)
            progress("counting", step, 10_000)
            time.sleep(0.002)

    jobs.start("count", work)
    with pytest.raises(BusyError, match="count"):
        jobs.start("again", work)
    jobs.stop()
    assert jobs.wait(10).state == "stopped"
    assert len(going) < 10_000
    assert jobs.start("again", lambda progress: progress("one", 1, 1)).number == 2
    assert jobs.wait(10).state == "done"


def test_an_error_nobody_foresaw_does_not_end_the_desk():
    jobs = Jobs()
    jobs.start("break", lambda progress: 1 / 0)
    status = jobs.wait(10)
    assert (status.state, "ZeroDivisionError" in status.message) == ("failed", True)


def test_a_port_that_is_taken_is_told(session):
    from nearpair.desk.serve import serve

    with serving(session) as address:
        port = int(address.split(":")[2].split("/")[0])
        with pytest.raises(NearpairError, match=str(port)):
            serve(session, port, print)


def test_masks_of_a_floating_window_are_in_the_exact_anaglyph(session, shoot):
    import msgspec

    pair = session.pictures.whole()
    x, _, width, _ = pair.mounting.crop_px
    floating = msgspec.structs.replace(pair.mounting, floating_px=(7, 5))
    from dataclasses import replace

    colour = load(shoot / "shoot.toml").colour
    plain, masked = mixed(pair, colour)[0], mixed(replace(pair, mounting=floating), colour)[0]
    changed = np.flatnonzero((plain != masked).any(axis=(0, 2)))
    assert set(changed) >= {x, x + width - 1}
    assert len(mixture_key(colour)) == 32


CALIBRATION = """version = 1
kind = "red-cyan"
left = { red = 0.72, green = 0.012, blue = 0.004 }
right = { red = 0.016, green = 0.55, blue = 0.61 }
"""
NO_CALIBRATION = (
    ("mine.toml", "version = 1", 422),
    ("mine.toml", "[[[", 422),
    ("mine.toml", "[" * 5000, 422),
    ("mine.toml", "version = 99", 422),
    ("mine.txt", CALIBRATION, 422),
    ("../mine.toml", CALIBRATION, 422),
    ("mine.toml", "#" * 20000, 422),
    ("mine.toml", "#" * 70000, 413),
)


@pytest.mark.parametrize(("name", "text", "status"), NO_CALIBRATION)
def test_what_is_no_calibration_of_glasses_is_refused_and_not_kept(visitor, shoot, name, text, status):
    visitor.enter()
    found, _, data = visitor.ask("/glasses", {"name": name, "text": text})
    assert found == status
    if status == 422:
        assert json.loads(data)["message"]
    assert not (shoot / "glasses").exists()
    assert not list(shoot.parent.glob("*.toml"))


def test_calibrations_of_glasses_are_kept_and_never_overwritten(visitor, shoot):
    visitor.enter()
    kept = [
        visitor.json("/glasses", {"name": "mine.toml", "text": text})[1]["glasses"]
        for text in (CALIBRATION, CALIBRATION, CALIBRATION.replace("0.72", "0.70"))
    ]
    assert kept[0] == kept[1] != kept[2]
    assert sorted(map(str, (shoot / "glasses").iterdir())) == sorted({*kept})
    state = visitor.json("/state")[1]
    assert {*kept} < {*state["glasses"]}
    wanted = {"revision": state["revision"], "changes": {"glasses": kept[2]}}
    assert visitor.json("/decide", wanted)[1]["decisions"]["colour"]["glasses"] == kept[2]
    assert f'glasses = "glasses/{Path(kept[2]).name}"' in (shoot / "shoot.toml").read_text()
    moved = shoot.rename(shoot.parent / "elsewhere")
    assert glasses_named(load(moved / "shoot.toml").colour.glasses).filters == "own"


def test_the_page_that_measures_glasses_reaches_nothing(visitor):
    status, headers, data = visitor.enter().ask("/glasses.html")
    assert status == 200
    assert "default-src 'none'" in headers["content-security-policy"]
    assert "sandbox allow-scripts allow-downloads" in headers["content-security-policy"]
    assert data.decode() == glasses_page()
