"""Pairs that were set wrong on purpose, mounted beside the same pairs as they are.

    python -m benchmarks.misset [FOLDER...] [--data DIR]

A FOLDER is a scene as for `benchmarks.pairs`, whose shoots (DIR) are taken as that made them; Cones,
Motorcycle and Aloe follow. The right view is rolled by 1.5 degrees, made 2 % larger and moved down by 30 px.
Both are laid on common rows as mounting does. Against the truth: height that is left between the eyes where
both see (px, rms), disparity that is off by more than 2 px from truth and a constant (per cent), and the
median of what it is off by; of all answers. "points": height left between matched points (px, rms), as the
program itself tells it.
"""

import argparse
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from benchmarks.both_eyes import Correspondence, correspondence
from benchmarks.judge import Mask, Picture, Plane, Shoot
from benchmarks.pairs import SEEN_BY_BOTH_PX, guided, measured_pairs, on_level
from benchmarks.truth import load
from nearpair.geometry.transforms import Similarity
from nearpair.shoot.levelling import Focused, on_common_rows

ROLLED_DEG, LARGER, DOWN_PX = 1.5, 1.02, 30.0
EDGE_PX = 4
HEAD = (
    f"{'pair':20}{'':8}{'roll deg':>9}{'scale':>8}{'height':>8}{'points':>8}"
    f"{'true height: rms':>18}{'bad 2':>7}{'median px':>11}"
)


def misset(size: tuple[int, int]) -> Similarity:
    """What is done to the right view."""
    middle = ((size[1] - 1) / 2, (size[0] - 1) / 2)
    return Similarity.about(middle, LARGER, ROLLED_DEG, (0.0, DOWN_PX))


def moved(plane: Any, wrong: Similarity, how: int) -> Any:
    """A picture, or a focus map, of the right view set wrong."""
    size = (plane.shape[1], plane.shape[0])
    nothing = float("nan") if plane.ndim == 2 else 0.0
    return cv2.warpAffine(plane, wrong.matrix(), size, flags=how, borderValue=nothing)


def report(
    name: str, views: tuple[Picture, Picture], focus: tuple[Focused, Focused], found: Correspondence
) -> None:
    """Print the pair as it is, and set wrong."""
    size = views[0].shape[0], views[0].shape[1]
    found = replace(found, both=found.both & _shown(found, size))
    for label, wrong in (("as it is", None), ("set wrong", misset(size))):
        right, focused, true = views[1], focus[1], found
        if wrong is not None:
            right = moved(right, wrong, cv2.INTER_LANCZOS4)
            focused = replace(focused, frame=moved(focused.frame, wrong, cv2.INTER_NEAREST))
            points = found.right_px.reshape(-1, 2).astype(np.float64)
            true = replace(
                found, right_px=wrong.apply(points).reshape(found.right_px.shape).astype(np.float32)
            )
        level = on_common_rows((views[0], right), (focus[0], focused), 1)
        case = on_level(name, true, level)
        heights = _heights(true, level)[case.both & case.judged]
        off = (guided(case).px[case.at] - case.disparity_px)[case.both & case.judged]
        off = np.abs(off - np.nanmedian(off))[np.isfinite(off)]
        around = level.on.rows.second_to_first.nearest_similarity(((size[1] - 1) / 2, (size[0] - 1) / 2))
        height_px = level.on.rows.second_to_first.shift_at(((size[1] - 1) / 2, (size[0] - 1) / 2))[1]
        print(
            f"{name:20}{label:10}{around.roll_deg:7.2f}{around.scale:8.4f}{height_px:8.2f}"
            f"{level.on.rows.residual_rms_px:8.2f}{np.sqrt(np.mean(heights**2)):18.2f}"
            f"{100 * np.mean(off > 2):7.2f}{np.median(off):11.2f}",
            flush=True,
        )


def _shown(found: Correspondence, size: tuple[int, int]) -> Mask:
    """What the right view still shows once it is set wrong: only that is judged, before and after."""
    at = misset(size).apply(found.right_px.reshape(-1, 2).astype(np.float64)).reshape(found.right_px.shape)
    inside = (at >= EDGE_PX) & (at <= np.array(size[::-1]) - 1 - EDGE_PX)
    return np.asarray(inside.all(axis=-1))


def _heights(true: Correspondence, level: Any) -> Plane:
    left = level.on.first.apply(true.left_px.reshape(-1, 2).astype(np.float64))
    right = level.on.second.apply(true.right_px.reshape(-1, 2).astype(np.float64))
    return np.asarray((left - right)[:, 1].reshape(true.left_px.shape[:-1]), np.float64)


def measured(pair: Any) -> tuple[tuple[Picture, Picture], tuple[Focused, Focused], Correspondence]:
    """Return a measured pair as views without focus maps."""
    disparity = pair.disparity_left_px
    rows, columns = np.indices(disparity.shape)
    left = np.stack([columns, rows], axis=-1).astype(np.float32)
    right = left - np.stack([disparity, np.zeros_like(disparity)], axis=-1)
    there = np.clip(np.rint(right[..., 0]).astype(np.int64), 0, disparity.shape[1] - 1)
    both = (np.abs(pair.disparity_right_px[rows, there] - disparity) <= SEEN_BY_BOTH_PX) & pair.known_left
    nothing = Focused(np.full(disparity.shape, np.nan, np.float32), 1)
    return (pair.left, pair.right), (nothing, nothing), Correspondence(left, right, both, both)


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="*", metavar="FOLDER")
    parser.add_argument("--data", type=Path, default=Path("bench-data"), help="where the shoots were made")
    options = parser.parse_args()
    print(HEAD)
    for folder in options.folders:
        scene, shoot = load(folder), Shoot.load(options.data / "pairs" / folder.name)
        eyes = ("left", "right")
        one, two = (Focused(shoot.focus_map(eye), len(shoot.station(eye)["frames"])) for eye in eyes)
        found = correspondence(scene, *(shoot.reference_file(eye) for eye in eyes))
        report(folder.name, (shoot.view("left"), shoot.view("right")), (one, two), found)
    for pair in measured_pairs():
        report(pair.name, *measured(pair))


if __name__ == "__main__":
    main()
