"""How good the finished pictures are, on ray-traced scenes whose truth is known and on real stacks.

    python -m benchmarks.quality FOLDER... [--data DIR] [--crops DIR]

A FOLDER with `truth/truth.json` is a scene of two stations. The whole job runs as a process of its own
(seconds, peak memory); then its folder is judged: PSNR of each view against the pinhole picture, beside the
same registered frames merged as the literature says (pyramid, complex wavelet, depth map); error of the
parallax; vertical parallax left after mounting. Below that, each of them near depth jumps (within 12 px of
where the depth changes by more than two focus steps in 2 px) and elsewhere: PSNR, SSIM, and how much the two
eyes differ (rms, 8-bit) where the truth says that both see the same point; "truth" is what remains of that
in the pinhole pictures. Blur makes that smaller, so what the two views' errors differ by stands beside it.

Any other FOLDER is one stack of frames, in shooting order by name: there is no truth, and Q_AB/F tells how
much of the frames' edges each merge keeps.

--crops writes the three worst depth jumps of every scene as pictures.
"""

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.both_eyes import Correspondence, correspondence, residual, residual_of_errors
from benchmarks.complex_wavelet import wavelet_merge
from benchmarks.crops import error_of, write_crops
from benchmarks.judge import Mask, Picture, Shoot, inner, parallax_error, psnr_db, vertical_residual_px
from benchmarks.product import merge_files, registered_frames
from benchmarks.similarity import edges_kept_of_all, likeness, near_jumps
from benchmarks.textbook import depth_map_merge, pyramid_merge
from benchmarks.truth import Scene, load

EYES = ("left", "right")
OURS = "ours"
HEAD = (
    f"{'scene':20}{'eye':7}{'view dB':>9}{'pyramid':>9}{'wavelet':>9}{'depth map':>11}"
    f"{'parallax px: median':>21}{'95 %':>7}{'known':>7}{'vertical':>10}{'seconds':>9}{'MB':>7}"
)
PARTS = (
    f"{'':20}{'eye':7}{'merged by':11}{'dB near jumps':>14}{'elsewhere':>11}"
    f"{'SSIM near jumps':>17}{'elsewhere':>11}{'all':>8}{'eyes differ near jumps':>24}{'elsewhere':>11}"
    f"{'errors differ near jumps':>26}{'elsewhere':>11}"
)


@dataclass(frozen=True)
class Run:
    """A finished shoot and what it took."""

    shoot: Shoot
    seconds: float
    peak_mb: float


@dataclass(frozen=True)
class Eye:
    """One eye: the sharp picture, what each method made of the same frames, where depth jumps are near."""

    truth: Picture
    views: Mapping[str, Picture]
    near: Mask


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


def merged_by_all(ours: Picture, frames: Sequence[Picture]) -> dict[str, Picture]:
    """Return our view and those of the three references, made of the same registered frames."""
    return {
        OURS: ours,
        "pyramid": pyramid_merge(frames),
        "wavelet": wavelet_merge(frames),
        "depth map": depth_map_merge(frames)[0],
    }


def seen(scene: Scene, shoot: Shoot, eye: str) -> Eye:
    """Merge one eye's frames by every method."""
    station: dict[str, Any] = shoot.station(eye)
    reference = shoot.reference_file(eye)
    truth = scene.view(reference)
    files = [scene.folder / station["name"] / name for name in station["frames"]]
    frames = list(registered_frames(files, station["kind"], station["reference_frame"]))
    size = (truth.shape[0], truth.shape[1])
    near = near_jumps(scene.depth_mm(reference), scene.step_mm, size)
    return Eye(truth, merged_by_all(shoot.view(eye), frames), near)


def report(scene: Scene, done: Run, eyes: Mapping[str, Eye]) -> None:
    """Print the two lines of a scene."""
    error = parallax_error(done.shoot, scene.disparity_px(done.shoot.reference_file("left")))
    vertical_px = vertical_residual_px(done.shoot.mounted("left"), done.shoot.mounted("right"))
    rest = (
        f"{error.median_px:21.2f}{error.p95_px:7.2f}{error.known_share:7.2f}{vertical_px:10.2f}"
        f"{done.seconds:9.1f}{done.peak_mb:7.0f}"
    )
    for name, eye in eyes.items():
        ours, *others, last = (psnr_db(view, eye.truth) for view in eye.views.values())
        between = "".join(f"{value:9.2f}" for value in others)
        print(f"{scene.folder.name:20}{name:7}{ours:9.2f}{between}{last:11.2f}{rest}")
        rest = ""


def report_parts(scene: Scene, shoot: Shoot, eyes: Mapping[str, Eye]) -> None:
    """Print PSNR and SSIM near depth jumps and elsewhere, and how much the eyes differ."""
    found = correspondence(scene, shoot.reference_file("left"), shoot.reference_file("right"))
    for name, eye in eyes.items():
        print(f"{'':20}{name:7}{100 * float(inner(eye.near).mean()):.0f} % of the picture is near jumps")
        for method, view in eye.views.items():
            like = likeness(view, eye.truth, eye.near)
            between = eyes_differ(found, eyes, method) if name == "left" else ""
            print(
                f"{'':27}{method:11}{like.psnr_db[1]:14.2f}{like.psnr_db[2]:11.2f}"
                f"{like.ssim[1]:17.4f}{like.ssim[2]:11.4f}{like.ssim[0]:8.4f}{between}"
            )
    near, elsewhere = residual(found, *(eyes[side].truth for side in EYES))
    print(f"{'':27}{'truth':11}{'':61}{near:24.2f}{elsewhere:11.2f}", flush=True)


def eyes_differ(found: Correspondence, eyes: Mapping[str, Eye], method: str) -> str:
    """Return the four columns of how much one method's views of the two eyes differ."""
    left, right = ((eyes[side].views[method], eyes[side].truth) for side in EYES)
    near, elsewhere = residual(found, left[0], right[0])
    errors_near, errors = residual_of_errors(found, left, right)
    return f"{near:24.2f}{elsewhere:11.2f}{errors_near:26.2f}{errors:11.2f}"


def crop_scene(folder: Path, name: str, eyes: Mapping[str, Eye]) -> None:
    """Write the three worst depth jumps of the eye that has the worse view near jumps."""
    errors = {side: error_of(eye.views[OURS], eye.truth) for side, eye in eyes.items()}
    worse = max(eyes, key=lambda side: float(errors[side][eyes[side].near].mean()))
    eye = eyes[worse]
    write_crops(folder, f"{name}_{worse}", {"truth": eye.truth, **eye.views}, errors[worse], eye.near)


def judge_scene(folder: Path, data: Path, crops: Path | None) -> None:
    """Run the job on a scene and print all that is known of its result."""
    scene = load(folder)
    done = run(scene, data / "quality" / folder.name)
    eyes = {eye: seen(scene, done.shoot, eye) for eye in EYES}
    print(HEAD)
    report(scene, done, eyes)
    print(PARTS)
    report_parts(scene, done.shoot, eyes)
    if crops:
        crop_scene(crops, folder.name, eyes)


def judge_stack(folder: Path, crops: Path | None) -> None:
    """Merge one real stack by every method and print Q_AB/F; crops are where ours and the wavelets differ."""
    files = sorted(folder.glob("*.jpg"))
    frames = list(registered_frames(files, "ring"))
    views = merged_by_all(np.asarray(merge_files(files).rgb, dtype=np.uint8), frames)
    print(f"{'stack':20}{'Q_AB/F':>9}{'pyramid':>9}{'wavelet':>9}{'depth map':>11}")
    ours, *others, last = (edges_kept_of_all(frames, view) for view in views.values())
    between = "".join(f"{value:9.4f}" for value in others)
    print(f"{folder.name:20}{ours:9.4f}{between}{last:11.4f}", flush=True)
    if crops:
        where = np.zeros(frames[0].shape[:2], dtype=np.bool_)
        inner(where)[:] = True
        write_crops(crops, folder.name, views, error_of(views[OURS], views["wavelet"]), where)


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+", metavar="FOLDER")
    parser.add_argument("--data", type=Path, default=Path("bench-data"), help="where the shoots are made")
    parser.add_argument("--crops", type=Path, help="where the worst depth jumps are written as pictures")
    options = parser.parse_args()
    options.data.mkdir(parents=True, exist_ok=True)
    for folder in options.folders:
        if (folder / "truth").is_dir():
            judge_scene(folder, options.data, options.crops)
        else:
            judge_stack(folder, options.crops)


if __name__ == "__main__":
    main()
