"""What is true of a ray-traced scene: its own truth.json, full-size or in the small copy the tests use."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

Picture = NDArray[np.uint8]


@dataclass(frozen=True)
class FrameTruth:
    """What one frame suffered: content moved by `jitter_px` after a roll (counter-clockwise, degrees)."""

    station: str
    number: int
    jitter_px: tuple[float, float]
    roll_deg: float


@dataclass(frozen=True)
class Scene:
    """The truth of one scene; lengths in mm, image lengths in px of its frames.

    `focal_px`: distance of the picture plane from the entrance pupil at each end of the stacks
    ("deepest", "nearest": where the frame is focused). `step_mm`: between neighbouring planes of focus.
    """

    folder: Path
    kind: str
    left: str
    right: str
    base_mm: float
    orders: Mapping[str, str]
    focal_px: Mapping[str, float]
    frames: Mapping[str, FrameTruth]
    depth_unit_mm: float
    depth_key: str
    step_mm: float
    counts: Mapping[str, int] = field(default_factory=dict)

    def end(self, file: str) -> str | None:
        """Return the end of the stack at which a frame was taken, or None for a frame in between."""
        frame = self.frames[file]
        first, last = ENDS if self.orders[frame.station] == "far-to-near" else ENDS[::-1]
        if frame.number == 0:
            return first
        return last if frame.number == self.counts[frame.station] - 1 else None

    def view(self, file: str) -> Picture:
        """Return the sharp picture from where a frame at one end was taken, moved as that frame was."""
        frame = self.frames[file]
        with Image.open(
            self.folder / "truth" / f"{frame.station}_{self.end(file)}_allinfocus.jpg"
        ) as picture:
            return as_moved(np.asarray(picture), frame)

    def depth_mm(self, file: str) -> NDArray[np.float64]:
        """Return the depth in half resolution at one end: (row j, column i) is at (2i + 0.5, 2j + 0.5) px."""
        frame = self.frames[file]
        with np.load(self.folder / "truth" / f"{frame.station}_{self.end(file)}_depth.npz") as stored:
            return np.asarray(stored[self.depth_key], dtype=np.float64) * self.depth_unit_mm

    def disparity_px(self, file: str) -> NDArray[np.float64]:
        """Return x_left - x_right in half resolution for a frame of the left station at one end."""
        focal_px = self.focal_px[self.end(file) or ""]
        return self.base_mm * focal_px / self.depth_mm(file)


ENDS = ("deepest", "nearest")


def as_moved(picture: Picture, frame: FrameTruth) -> Picture:
    """Roll and move a picture as the frame was."""
    if frame.roll_deg == 0 and frame.jitter_px == (0.0, 0.0):
        return picture
    height, width = picture.shape[:2]
    matrix = movement(frame, (height, width))
    moved = cv2.warpAffine(
        picture, matrix, (width, height), flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT
    )
    return np.asarray(moved, dtype=np.uint8)


def movement(frame: FrameTruth, size: tuple[int, int]) -> NDArray[np.float64]:
    """Return the 2 x 3 matrix from the pinhole picture of `size` (height, width) to the frame's positions."""
    height, width = size
    matrix = cv2.getRotationMatrix2D(((width - 1) / 2, (height - 1) / 2), frame.roll_deg, 1.0)
    matrix[:, 2] += np.array(frame.jitter_px)
    return np.asarray(matrix, dtype=np.float64)


def load(folder: Path) -> Scene:
    """Read the truth of a scene's folder."""
    found = json.loads((folder / "truth" / "truth.json").read_text())
    return _full_size(folder, found) if "capture_kind" in found else _small(folder, found)


def _frame(station: str, number: int, entry: Mapping[str, Any]) -> FrameTruth:
    dx, dy = entry["jitter_px"]
    return FrameTruth(station, number, (float(dx), float(dy)), float(entry["roll_deg"]))


def _step(planes_mm: Sequence[float]) -> float:
    return abs(planes_mm[-1] - planes_mm[0]) / (len(planes_mm) - 1)


def _full_size(folder: Path, found: Mapping[str, Any]) -> Scene:
    stations = found["stations"]
    return Scene(
        folder=folder,
        kind=found["capture_kind"],
        left=found["left_folder"],
        right=found["right_folder"],
        base_mm=found["base_mm"],
        orders={name: entry["order"].replace("_", "-") for name, entry in stations.items()},
        focal_px={
            end: found["truth_files"][end]["geometry"]["image_distance_mm"] / found["pixel_mm"]
            for end in ENDS
        },
        frames={f["file"]: _frame(f["station"], f["index_in_stack"], f) for f in found["frames"]},
        depth_unit_mm=1.0,
        depth_key="depth_mm",
        step_mm=_step(
            [f["focus_plane_world_z"] for f in found["frames"] if f["station"] == found["left_folder"]]
        ),
        counts={name: entry["frames"] for name, entry in stations.items()},
    )


def _small(folder: Path, found: Mapping[str, Any]) -> Scene:
    frames = found["frames"]
    return Scene(
        folder=folder,
        kind=found["kind"],
        left=found["left"],
        right=found["right"],
        base_mm=found["base_mm"],
        orders=found["orders"],
        focal_px={end: found["ends"][end]["f_px"] for end in ENDS},
        frames={
            entry["file"]: _frame(station, number, entry)
            for station, entries in frames.items()
            for number, entry in enumerate(entries)
        },
        depth_unit_mm=1 / 32,
        depth_key="depth_32nds",
        step_mm=_step([entry["focus_plane_z_mm"] for entry in frames[found["left"]]]),
        counts={station: len(entries) for station, entries in frames.items()},
    )
