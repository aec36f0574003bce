"""How good views from between two stations are, on scenes shot from five stations with the sharp pictures known.

    python -m benchmarks.between FOLDER...

From the sharp pictures of stations 1 and 5 the view of station 3, half way, is made and held against its own
sharp picture: PSNR and SSIM of where both outer stations see something, beside plain warping (every pixel of
the left view carried along by half of its disparity, the nearest winning, gaps bridged along the row) and
beside warping each view and taking the mean where both arrive. The same matching feeds all of them.
"""

import argparse
import time
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from benchmarks.judge import psnr_db
from nearpair.pairs.between import completed, seen_from
from nearpair.pairs.disparity import match_rows
from nearpair.pairs.evidence import search_range
from nearpair.pairs.matches import match
from nearpair.pixels.luma import luma
from skimage.metrics import structural_similarity

Picture = NDArray[np.uint8]
Plane = NDArray[np.float32]
_BORDER_PX = 20


def shifted(picture: Picture, by_px: float) -> Picture:
    """Return the picture moved to the right."""
    matrix = np.array([[1, 0, by_px], [0, 1, 0]], dtype=np.float64)
    size = (picture.shape[1], picture.shape[0])
    return np.asarray(cv2.warpAffine(picture, matrix, size, flags=cv2.INTER_CUBIC), np.uint8)


def carried(picture: Picture, disparity: Plane, share: float) -> tuple[Picture, NDArray[np.bool_]]:
    """Carry every pixel to x − share · disparity, the nearest last; also return where something arrived."""
    out = np.zeros_like(picture)
    arrived = np.zeros(disparity.shape, np.bool_)
    columns = np.arange(disparity.shape[1])
    for y, row in enumerate(disparity):
        order = np.argsort(row, kind="stable")
        to = np.rint(columns - share * row).astype(int)[order]
        inside = (to >= 0) & (to < len(columns))
        out[y, to[inside]] = picture[y, order[inside]]
        arrived[y, to[inside]] = True
    return out, arrived


def bridged(picture: Picture, arrived: NDArray[np.bool_]) -> Picture:
    """Bridge what did not arrive evenly along the rows."""
    out = picture.copy()
    columns = np.arange(picture.shape[1])
    for y, there in enumerate(arrived):
        if there.any():
            for k in range(3):
                out[y, ~there, k] = np.interp(columns[~there], columns[there], picture[y, there, k])
    return out


def mean_of_both(pictures: tuple[Picture, Picture], disparities: tuple[Plane, Plane]) -> Picture:
    """Carry both views half way and take the mean where both arrive."""
    one, there = carried(pictures[0], disparities[0], 0.5)
    two, too = carried(pictures[1], disparities[1], -0.5)
    mixed = np.where(there[..., None], one, two)
    both = (there & too)[..., None]
    mixed = np.where(both, (one.astype(np.uint16) + two + 1) // 2, mixed).astype(np.uint8)
    return bridged(mixed, there | too)


def report(folder: Path) -> None:
    """Measure one scene and print its lines."""
    names = [folder / "truth" / f"station_{k}_middle_allinfocus.jpg" for k in (1, 3, 5)]
    left, truth, right = (np.asarray(Image.open(name)) for name in names)
    found = match(luma(left), luma(right))
    px = found.first[:, 0] - found.second[:, 0]
    window = int(np.median(px))
    right, truth = shifted(right, window), shifted(truth, window / 2)
    grey = luma(left), luma(right)
    lowest, highest = search_range(*grey, px - window)
    measured = match_rows(*grey, lowest, highest).px, -match_rows(*grey[::-1], -highest, -lowest).px
    disparities = completed(measured[0], left), completed(measured[1], right)
    start = time.perf_counter()
    ours = seen_from((left, right), measured, 0.5)[0]
    seconds = time.perf_counter() - start
    views = {
        "ours": ours,
        "plain warping": bridged(*carried(left, disparities[0], 0.5)),
        "mean of both": mean_of_both((left, right), disparities),
    }
    side = window + highest + _BORDER_PX  # beyond that only one of the outer stations sees anything
    part = np.s_[_BORDER_PX:-_BORDER_PX, side : -(highest + _BORDER_PX)]
    for name, view in views.items():
        like = structural_similarity(
            luma(view)[part], luma(truth)[part], data_range=1, gaussian_weights=True, sigma=1.5
        )
        took = f"{seconds:9.2f}" if name == "ours" else ""
        print(f"{folder.name:20}{name:16}{psnr_db(view[part], truth[part]):9.2f}{like:9.4f}{took}", flush=True)


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+", metavar="FOLDER")
    print(f"{'scene':20}{'made by':16}{'dB':>9}{'SSIM':>9}{'s':>9}")
    for folder in parser.parse_args().folders:
        report(folder)


if __name__ == "__main__":
    main()
