"""Surveys of the ray-traced scenes, made once for all tests, and what their truth says about sizes."""

import json
from functools import cache
from pathlib import Path

import numpy as np
from PIL import Image

from nearpair.pixels.luma import luma
from nearpair.stacks.survey import survey

SCENES = Path(__file__).parents[1] / "data" / "scenes"
STATIONS = [
    ("minerals", "left"),
    ("minerals", "right"),
    ("gears", "station_2"),
    ("gears", "station_4"),
    ("shells", "left"),
    ("shells", "right"),
]
RAILS = [station for station in STATIONS if station[0] != "minerals"]
RINGS = [station for station in STATIONS if station[0] == "minerals"]


@cache
def truth(scene):
    return json.loads((SCENES / scene / "truth" / "truth.json").read_text())


def frame_files(scene, station):
    """The frames of a station in shooting order."""
    return [SCENES / scene / station / frame["file"] for frame in truth(scene)["frames"][station]]


@cache
def surveyed(scene, station, without=()):
    """The survey of a station, with some of its frames (numbers) taken out."""
    files = [file for number, file in enumerate(frame_files(scene, station)) if number not in without]
    return survey((luma(np.asarray(Image.open(file))) for file in files), len(files))


def true_magnifications(scene, station, reference):
    """Scale that puts what each frame has in focus on the reference frame, from the scene's own numbers."""
    found, ends = truth(scene), truth(scene)["ends"]
    focused_z = np.array([frame["focus_plane_z_mm"] for frame in found["frames"][station]])
    if found["kind"] == "rail":
        # similar triangles: the plane of focus stays `distance` in front of the pupil, seen from elsewhere
        distance = ends["deepest"]["focus_distance_mm"]
        return distance / (distance + focused_z[reference] - focused_z)
    # thin lens: 1/image + 1/distance is the same at both ends, which gives the pixel and the focal length
    far, near = ends["deepest"], ends["nearest"]
    pixel = (1 / far["f_px"] - 1 / near["f_px"]) / (
        1 / near["focus_distance_mm"] - 1 / far["focus_distance_mm"]
    )
    power = 1 / (pixel * far["f_px"]) + 1 / far["focus_distance_mm"]
    image = 1 / (power - 1 / (far["camera_z_mm"] - focused_z))
    return image[reference] / image
