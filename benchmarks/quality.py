"""How good the finished pictures are, on ray-traced scenes whose truth is known.

    python -m benchmarks.quality SCENE... [--data DIR]

Each SCENE is a folder with two stations and `truth/truth.json`. The whole job runs as a process of its own
(seconds, peak memory); then its folder is judged: PSNR of each view against the pinhole picture, beside the
same registered frames merged as textbooks say; error of the parallax; vertical parallax left after mounting.
"""

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from benchmarks.judge import Shoot, parallax_error, psnr_db, vertical_residual_px
from benchmarks.product import registered_frames
from benchmarks.textbook import depth_map_merge, pyramid_merge
from benchmarks.truth import Scene, load

HEAD = (
    f"{'scene':20}{'eye':7}{'view dB':>9}{'pyramid':>9}{'depth map':>11}"
    f"{'parallax px: median':>21}{'95 %':>7}{'known':>7}{'vertical':>10}{'seconds':>9}{'MB':>7}"
)


@dataclass(frozen=True)
class Run:
    """A finished shoot and what it took."""

    shoot: Shoot
    seconds: float
    peak_mb: float


def run(scene: Scene, target: Path) -> Run:
    """Make the shoot anew in a process of its own."""
    shutil.rmtree(target, ignore_errors=True)
    sources = [str(scene.folder / scene.left), str(scene.folder / scene.right)]
    start = time.perf_counter()
    command = [sys.executable, "-m", "nearpair", "make", *sources, "--to", str(target)]
    with tempfile.TemporaryFile() as told:
        child = subprocess.Popen(command, stdout=told, stderr=told)
        _, status, usage = os.wait4(child.pid, 0)
        told.seek(0)
        if status != 0:
            raise SystemExit(f"{scene.folder}: the job failed\n{told.read().decode()}")
    return Run(Shoot.load(target), time.perf_counter() - start, usage.ru_maxrss * 1024 / 1e6)


def view_db(scene: Scene, shoot: Shoot, eye: str) -> tuple[float, float, float]:
    """Return the PSNR of a view, and of the two textbook merges of its registered frames, dB."""
    station: dict[str, Any] = shoot.station(eye)
    truth = scene.view(shoot.reference_file(eye))
    files = [scene.folder / station["name"] / name for name in station["frames"]]
    frames = list(registered_frames(files, station["kind"], station["reference_frame"]))
    merged = shoot.view(eye), pyramid_merge(frames), depth_map_merge(frames)[0]
    return psnr_db(merged[0], truth), psnr_db(merged[1], truth), psnr_db(merged[2], truth)


def report(scene: Scene, done: Run) -> None:
    """Print the two lines of a scene."""
    error = parallax_error(done.shoot, scene.disparity_px(done.shoot.reference_file("left")))
    vertical_px = vertical_residual_px(done.shoot.mounted("left"), done.shoot.mounted("right"))
    rest = (
        f"{error.median_px:21.2f}{error.p95_px:7.2f}{error.known_share:7.2f}{vertical_px:10.2f}"
        f"{done.seconds:9.1f}{done.peak_mb:7.0f}"
    )
    for eye in ("left", "right"):
        ours, pyramid, depth_map = view_db(scene, done.shoot, eye)
        print(f"{scene.folder.name:20}{eye:7}{ours:9.2f}{pyramid:9.2f}{depth_map:11.2f}{rest}", flush=True)
        rest = ""


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("scenes", type=Path, nargs="+")
    parser.add_argument("--data", type=Path, default=Path("bench-data"), help="where the shoots are made")
    options = parser.parse_args()
    options.data.mkdir(parents=True, exist_ok=True)
    print(HEAD)
    for folder in options.scenes:
        scene = load(folder)
        report(scene, run(scene, options.data / "quality" / folder.name))


if __name__ == "__main__":
    main()
