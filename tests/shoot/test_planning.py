"""Plans on disk: test frames, earlier shoots, folders."""

import json
import shutil
from pathlib import Path

import msgspec
import pytest

from nearpair.errors import NearpairError, ShootError
from nearpair.plan.gcode import Motor
from nearpair.plan.model import decode
from nearpair.plan.request import Rail, Subject
from nearpair.shoot.planning import Asked, Wanted, plan, request_of

SCENE = Path(__file__).parents[1] / "data" / "scenes" / "shells"
FRAME = SCENE / "left" / "DO_0001.JPG"
SHELL = Subject(depth_mm=19, magnification=0.7)


def test_a_test_frame_says_what_camera_it_was():
    camera = request_of(Asked(SHELL, frame=FRAME)).camera
    assert (camera.focal_mm, camera.f_number, camera.width_px) == (105, 6.3, 600)
    assert camera.sensor_width_mm == pytest.approx(36, rel=0.01)
    assert camera.file_mb == FRAME.stat().st_size / 1e6


def test_what_is_stated_goes_before_the_frame():
    asked = Asked(SHELL, frame=FRAME, sensor="aps-c", focal_mm=60, f_number=4, file_mb=50)
    camera = request_of(asked).camera
    assert (camera.sensor_width_mm, camera.focal_mm, camera.f_number, camera.file_mb) == (23.5, 60, 4, 50)


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (Asked(SHELL), "size of the sensor is not known"),
        (Asked(SHELL, sensor="aps-c"), "focal length of the lens is not known"),
    ],
)
def test_what_is_missing_is_named(asked, said):
    with pytest.raises(NearpairError, match=said):
        plan(asked)


def test_sheets_are_written_and_written_over(tmp_path):
    to = tmp_path / "quartz-plan"
    asked = Asked(SHELL, frame=FRAME, rail=Rail(travel_mm=60, base_travel_mm=40))
    found, written = plan(asked, to, Wanted("Shell", explore=True, motor=Motor()))
    assert [path.name for path in written] == [
        "plan.json",
        "sheet.pdf",
        "sheet.html",
        "readings.csv",
        "explore.html",
        "rail.nc",
        "rail-dry-run.txt",
    ]
    assert sorted(path.name for path in to.iterdir()) == sorted(path.name for path in written)
    assert decode((to / "plan.json").read_bytes()).stereo.base_mm == found.stereo.base_mm
    first = {path.name: path.read_bytes() for path in written}
    plan(asked, to, Wanted("Shell", explore=True, motor=Motor()))
    assert {path.name: path.read_bytes() for path in written} == first


def test_programs_are_made_only_if_asked_for(tmp_path):
    _, written = plan(Asked(SHELL, frame=FRAME), tmp_path / "plan")
    assert not any(path.suffix == ".nc" for path in written)


def test_nothing_else_is_written_over(tmp_path):
    (tmp_path / "sheet.pdf").write_text("mine")
    with pytest.raises(ShootError, match="holds other things than a plan"):
        plan(Asked(SHELL, frame=FRAME), tmp_path)
    assert (tmp_path / "sheet.pdf").read_text() == "mine"


# a proof as `make` writes it for this scene, cut down to what a plan reads
@pytest.fixture
def earlier(tmp_path, proof_of_shells):
    shoot = tmp_path / "shells"
    shoot.mkdir()
    shutil.copytree(SCENE / "left", tmp_path / "left")
    shoot.joinpath("shoot.toml").write_text(
        f'version = 1\nsources = ["{tmp_path / "left"}"]\n[capture]\nbase_mm = 8.0\n'
    )
    shoot.joinpath("proof.json").write_bytes(proof_of_shells)
    return shoot


@pytest.fixture
def proof_of_shells():
    return json.dumps(
        {
            "schema": 1,
            "version": "0",
            "picture": {"width_px": 500, "height_px": 333},
            "stations": [
                {
                    "name": "left",
                    "frames": ["DO_0001.JPG"],
                    "order": "far-to-near",
                    "kind": "rail",
                    "order_confidence": 1.0,
                    "focus": {
                        "covered_fraction": 0.9,
                        "gaps": [{"after_frame": 3, "width_steps": 2.0}],
                        "ends_sharp": True,
                    },
                }
            ],
            "set_aside": [],
            "eyes": {"left": "left", "right": "right", "confidence": 1.0},
            "mounting": {
                "rotation_deg": 0,
                "scale": 1,
                "vertical_px": 0,
                "shift_px": 0,
                "window_point_px": None,
                "crop_px": [100, 0, 500, 333],
                "residual_vertical_px": {"rms": 0.1, "p95": 0.2},
            },
            "depth": {
                "near_px": 0,
                "far_px": 7.5,
                "deviation_px": 7.5,
                "deviation_fraction_of_width": 0.015,
                "known_share": 0.9,
                "relief": {
                    "score": 80,
                    "range_arcmin": 30,
                    "acuity_steps": 50,
                    "jumps": 9,
                    "jump_length_heights": 5,
                    "layers": 20,
                    "textured_share": 0.9,
                },
            },
            "comfort": {
                "viewing": {"screen_width_mm": 500, "distance_mm": 550, "eyes_mm": 62},
                "near_arcmin": 0,
                "far_arcmin": 30,
                "near_mm": 0,
                "far_mm": 8,
                "limits": {
                    "one-degree": {
                        "near_mm": -10,
                        "far_mm": 10,
                        "near_arcmin": -60,
                        "far_arcmin": 60,
                        "within": True,
                        "source": "",
                    },
                    "no-divergence": {
                        "near_mm": None,
                        "far_mm": 50,
                        "near_arcmin": None,
                        "far_arcmin": 280,
                        "within": True,
                        "source": "",
                    },
                },
                "largest_screen_width_mm": 900,
                "vertical_rms_arcmin": 1,
                "vertical_p95_arcmin": 2,
                "within": True,
            },
            "colour": {
                "glasses": "red-cyan",
                "method": "grey",
                "rivalry": {
                    "luminance_ratio": 1,
                    "filter_ratio": 1,
                    "rivalry_share": 0,
                    "saturated_share": 0,
                    "threshold": 2,
                },
                "ghosting": {"known": False},
            },
            "capture": {
                "exposure_ratio": 1,
                "exposure_stops": 0,
                "white_balance_shift": 0,
                "matched_share": 1,
                "covered_fraction": 0.9,
                "unsharp_share": 0.1,
                "gaps": 1,
            },
            "edges": {
                "left": {"share": 0},
                "right": {"share": 0},
                "top": {"share": 0},
                "bottom": {"share": 0},
            },
            "advice": [],
            "verdict": "ready",
        }
    ).encode()


def test_an_earlier_shoot_is_read(earlier):
    request = request_of(Asked(SHELL, like=earlier))
    found = request.earlier
    assert found.base_mm == 8
    assert found.deviation_share == pytest.approx(7.5 / 600)  # of the whole frame
    assert (found.gaps, found.cut_near, found.cut_far) == (1, True, False)
    assert found.enough_arcmin == 40
    assert request.viewing.screen_width_mm == 500
    assert request.kind == "rail"
    assert request.camera.focal_mm == 105


def test_an_earlier_shoot_corrects_base_step_and_ends(earlier):
    before, _ = plan(Asked(SHELL, frame=FRAME, screen_width_mm=500, distance_mm=550, eyes_mm=62))
    found, _ = plan(Asked(SHELL, like=earlier))
    factor = found.stereo.corrected_by
    assert factor == pytest.approx(
        7.5 / 600 * 36 / 8 / (before.stereo.deviation_on_sensor_mm / before.stereo.base_mm), rel=0.02
    )
    assert found.stack.step_mm == pytest.approx(before.stack.step_mm / 2, abs=0.02)
    spare = found.optics.distance_mm - found.stack.far_mm
    assert found.stack.travel_mm - 19 - spare > 2 * found.stack.step_mm
    assert any("missing in shells" in note for note in found.notes)
    assert any("near end" in note for note in found.notes)
    assert any("only 30 arcmin" in note for note in found.notes)


def test_a_shoot_of_unknown_base_says_what_to_do(earlier):
    toml = earlier / "shoot.toml"
    toml.write_text(toml.read_text().replace("base_mm = 8.0", ""))
    with pytest.raises(NearpairError, match=r"nearpair proof .* --base MM"):
        plan(Asked(SHELL, like=earlier))


@pytest.mark.parametrize("content", [None, b"{}", b"\xff"])
def test_a_shoot_without_a_proof_says_what_to_do(earlier, content):
    proof = earlier / "proof.json"
    proof.unlink()
    if content is not None:
        proof.write_bytes(content)
    with pytest.raises(ShootError, match=r"Finish that shoot first"):
        plan(Asked(SHELL, like=earlier))


def test_frames_that_moved_away_are_not_needed(earlier):
    shutil.rmtree(earlier.parent / "left")
    asked = Asked(SHELL, like=earlier, sensor="full-frame", focal_mm=105, f_number=6.3)
    found = request_of(asked)
    assert found.camera.width_px is None
    assert found.earlier.deviation_share == pytest.approx(7.5 / 600)  # the crop ended at the frame's end
    assert msgspec.json.encode(plan(asked)[0])
