"""Make the small copies of the ray-traced scenes that the tests use, so that nobody needs the full-size ones.

    python tests/data/make_scenes.py SCENES

Two stations of each scene with all their frames, 2.5 times shorter sides, metadata kept. `truth/` holds for
both ends of the stacks the all-in-focus picture and the depth, and `truth.json` what the job has to find out.
`gears_beside` holds the other three stations of the gears, every second frame of them: the five stand 3 mm
apart from station_1 on the left to station_5 on the right.
"""

import json
import sys
from pathlib import Path

import numpy as np
from cutting import shrink, write_frame
from PIL import Image

FACTOR = 2.5
FRAME_QUALITY, TRUTH_QUALITY = 82, 92
TARGET = Path(__file__).parent / "scenes"
SCENES = {
    "minerals": ("p1_minerals", "left", "right"),
    "gears": ("p2_gears_stations", "station_2", "station_4"),
    "shells": ("p3_shells", "left", "right"),
}
BESIDE = ("gears_beside", "p2_gears_stations", ("station_1", "station_3", "station_5"))
ENDS = ("deepest", "nearest")
ROW = ("gears", "p2_gears_stations", (1, 3, 5))
"""Sharp pictures of a row of stations, from the middle of their stacks, for views from between."""
DEPTH_STEP_MM = 1 / 32
CONVENTIONS = {
    "depth": "truth/<station>_<end>_depth.npz: depth_32nds uint16, z-depth in 1/32 mm along the axis from "
    "the entrance pupil at the <end> of the stack, half resolution: the value in row j, column i belongs to "
    "the position (x, y) = (2i + 0.5, 2j + 0.5) px of the frame, pixel centres on integers",
    "disparity": "x_left - x_right = base_mm * f_px / depth_mm, larger is nearer; the axes are parallel",
    "all_in_focus": "truth/<station>_<end>_allinfocus.jpg: pinhole picture, no noise, flicker, jitter, dust",
    "jitter_px": "content of the frame moved by this (x right, y down) against the all-in-focus picture, "
    "after roll_deg counter-clockwise about the centre",
    "gain": "linear light of the frame over that of the all-in-focus picture",
}


def depth_at_half(depth_mm):
    """Half-resolution depth of the small frame: the nearest sample, so that no edge is mixed."""
    height, width = (int(side / FACTOR) for side in depth_mm.shape)
    # small half i -> small frame 2i + 1/2 -> frame FACTOR*(2i + 1) - 1/2 -> half FACTOR*(i + 1/2) - 1/2
    rows = np.rint(FACTOR * (np.arange(height) + 0.5) - 0.5).astype(int)
    columns = np.rint(FACTOR * (np.arange(width) + 0.5) - 0.5).astype(int)
    return np.rint(depth_mm[np.ix_(rows, columns)] / DEPTH_STEP_MM).astype(np.uint16)


def end_of(truth, end):
    """The geometry of the frames at one end of the stacks."""
    geometry = truth["truth_files"][end]["geometry"]
    return {
        "f_px": geometry["image_distance_mm"] / truth["pixel_mm"] / FACTOR,
        "focus_distance_mm": geometry["focus_distance_mm"],
        "camera_z_mm": geometry["cam_z"],
    }


def frames_of(truth, station):
    """What each frame of a station suffered, in shooting order."""
    return [
        {
            "file": frame["file"],
            "jitter_px": [shift / FACTOR for shift in frame["jitter_px"]],
            "roll_deg": frame["roll_deg"],
            "gain": frame["flicker_gain"],
            "focus_plane_z_mm": frame["focus_plane_world_z"],
        }
        for frame in truth["frames"]
        if frame["station"] == station
    ]


def summary(truth, left, right):
    """The small truth.json of a scene."""
    stations = truth["stations"]
    width, height = truth["image_size_px"]
    return {
        "scene": truth["scenario"],
        "kind": truth["capture_kind"],
        "image_size_px": [int(width / FACTOR), int(height / FACTOR)],
        "left": left,
        "right": right,
        "base_mm": stations[right]["x_mm"] - stations[left]["x_mm"],
        "orders": {name: stations[name]["order"].replace("_", "-") for name in (left, right)},
        "ends": {end: end_of(truth, end) for end in ENDS},
        "frames": {name: frames_of(truth, name) for name in (left, right)},
        "conventions": CONVENTIONS,
    }


def cut_frames(source: Path, station: str, target: Path, every: int = 1) -> None:
    """Frames of one station, or every so many of them."""
    for file in sorted((source / station).glob("*.JPG"))[::every]:
        with Image.open(file) as picture:
            write_frame(
                shrink(picture, FACTOR), picture.getexif(), target / station / file.name, FRAME_QUALITY
            )


def cut_station(source: Path, station: str, target: Path) -> None:
    """Frames and truth of one station."""
    cut_frames(source, station, target)
    (target / "truth").mkdir(parents=True, exist_ok=True)
    for end in ENDS:
        name = f"{station}_{end}"
        with Image.open(source / "truth" / f"{name}_allinfocus.jpg") as picture:
            shrink(picture, FACTOR).save(target / "truth" / f"{name}_allinfocus.jpg", quality=TRUTH_QUALITY)
        depth_mm = np.load(source / "truth" / f"{name}_depth.npz")["depth_mm"]
        np.savez_compressed(target / "truth" / f"{name}_depth.npz", depth_32nds=depth_at_half(depth_mm))


def make(scenes: Path) -> None:
    """Write all three scenes."""
    for name, (folder, left, right) in SCENES.items():
        source, target = scenes / folder, TARGET / name
        for station in (left, right):
            cut_station(source, station, target)
        truth = json.loads((source / "truth" / "truth.json").read_text())
        (target / "truth" / "truth.json").write_text(json.dumps(summary(truth, left, right), indent=1) + "\n")
    name, folder, stations = BESIDE
    for station in stations:
        cut_frames(scenes / folder, station, TARGET.parent / name, 2)


def cut_row(scenes: Path) -> None:
    """Write the sharp pictures of the row of stations."""
    scene, folder, numbers = ROW
    for number in numbers:
        name = f"truth/station_{number}_middle_allinfocus.jpg"
        with Image.open(scenes / folder / name) as picture:
            shrink(picture, FACTOR).save(TARGET / scene / name, quality=TRUTH_QUALITY)


if __name__ == "__main__":
    make(Path(sys.argv[1]))
    cut_row(Path(sys.argv[1]))
