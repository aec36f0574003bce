"""How good views from between two stations are, on a scene shot from five stations with sharp pictures known.

    python -m benchmarks.between FOLDER... [--crops DIR]

From the sharp pictures of stations 1 and 5 the views of the stations between them are made and held against
their own sharp pictures: PSNR and SSIM of where both outer stations see something, beside plain warping
(every pixel of the left view carried along by its share of the disparity, the nearest winning, gaps bridged
along the row) and beside warping each view and taking the mean where both arrive. One matching feeds all of
them. Copies of a scene that hold the middle station only are measured there.
"""

import argparse
import time
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image
from skimage.metrics import structural_similarity

from benchmarks.judge import psnr_db
from nearpair.pairs.between import Between
from nearpair.pairs.disparity import match_rows
from nearpair.pairs.evidence import search_range
from nearpair.pairs.matches import match
from nearpair.pixels.luma import luma

Picture = NDArray[np.uint8]
Plane = NDArray[np.float32]
FIRST, MIDDLE, LAST = 1, 3, 5
_BORDER_PX = 20


@dataclass(frozen=True, slots=True)
class Likeness:
    """How near a made view is to the picture really seen from there; seconds for making it."""

    psnr_db: float
    ssim: float
    seconds: float


@dataclass(frozen=True, slots=True, eq=False)
class Outer:
    """The outer stations' pictures and disparities, the window in the middle of their depth."""

    pictures: tuple[Picture, Picture]
    measured: tuple[Plane, Plane]
    window_px: int
    highest_px: int

    def shared(self) -> tuple[slice, slice]:
        """Rows and columns that both outer stations see."""
        side = self.window_px + self.highest_px + _BORDER_PX
        return slice(_BORDER_PX, -_BORDER_PX), slice(side, -(self.highest_px + _BORDER_PX))


def sharp_picture(folder: Path, station: int) -> Path:
    """Where the pinhole picture of a station lies."""
    return folder / "truth" / f"station_{station}_middle_allinfocus.jpg"


def shifted(picture: Picture, by_px: float) -> Picture:
    """Return the picture moved to the right."""
    matrix = np.array([[1, 0, by_px], [0, 1, 0]], dtype=np.float64)
    size = (picture.shape[1], picture.shape[0])
    return np.asarray(cv2.warpAffine(picture, matrix, size, flags=cv2.INTER_CUBIC), np.uint8)


def outer(folder: Path) -> Outer:
    """Open and match stations 1 and 5."""
    left, right = (np.asarray(Image.open(sharp_picture(folder, k))) for k in (FIRST, LAST))
    found = match(luma(left), luma(right))
    px = found.first[:, 0] - found.second[:, 0]
    window = int(np.median(px))
    right = shifted(right, window)
    grey = luma(left), luma(right)
    lowest, highest = search_range(*grey, px - window)
    measured = match_rows(*grey, lowest, highest).px, -match_rows(*grey[::-1], -highest, -lowest).px
    return Outer((left, right), measured, window, highest)


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


def mean_of_both(pair: Outer, disparities: tuple[Plane, Plane], position: float) -> Picture:
    """Carry both views to a position and take the mean where both arrive."""
    one, there = carried(pair.pictures[0], disparities[0], position)
    two, too = carried(pair.pictures[1], disparities[1], position - 1)
    mixed = np.where(there[..., None], one, two)
    both = (there & too)[..., None]
    mixed = np.where(both, (one.astype(np.uint16) + two + 1) // 2, mixed).astype(np.uint8)
    return bridged(mixed, there | too)


def made(pair: Outer, station: int) -> dict[str, tuple[Picture, float]]:
    """The view of a station, made in every way, and seconds for it."""
    position = (station - FIRST) / (LAST - FIRST)
    between = Between.of(pair.pictures, pair.measured)
    between.view(position)  # compiled now
    start = time.perf_counter()
    ours = between.view(position).picture
    seconds = time.perf_counter() - start
    whole = between.disparities
    return {
        "ours": (np.asarray(ours, np.uint8), seconds),
        "plain warping": (bridged(*carried(pair.pictures[0], whole[0], position)), 0.0),
        "mean of both": (mean_of_both(pair, whole, position), 0.0),
    }


def judged(
    folder: Path, station: int, pair: Outer | None = None, crops: Path | None = None
) -> dict[str, Likeness]:
    """How near each way of making the view of a station comes to its sharp picture."""
    pair = outer(folder) if pair is None else pair
    position = (station - FIRST) / (LAST - FIRST)
    truth = shifted(np.asarray(Image.open(sharp_picture(folder, station))), pair.window_px * position)
    part = pair.shared()
    found = {}
    for name, (view, seconds) in made(pair, station).items():
        like = structural_similarity(
            luma(view)[part], luma(truth)[part], data_range=1, gaussian_weights=True, sigma=1.5
        )
        found[name] = Likeness(psnr_db(view[part], truth[part]), float(like), seconds)
        if crops is not None:
            beside = np.vstack([truth[part], view[part]])
            Image.fromarray(beside).save(crops / f"{folder.name}-{station}-{name.replace(' ', '-')}.png")
    return found


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+", metavar="FOLDER")
    parser.add_argument("--crops", type=Path, help="write each view below the true one here")
    given = parser.parse_args()
    if given.crops is not None:
        given.crops.mkdir(parents=True, exist_ok=True)
    print(f"{'scene':20}{'station':>8}  {'made by':16}{'dB':>9}{'SSIM':>9}{'s':>9}")
    for folder in given.folders:
        pair = outer(folder)
        for station in range(FIRST + 1, LAST):
            if sharp_picture(folder, station).exists():
                for name, like in judged(folder, station, pair, given.crops).items():
                    took = f"{like.seconds:9.2f}" if like.seconds else ""
                    row = f"{folder.name:20}{station:8}  {name:16}{like.psnr_db:9.2f}{like.ssim:9.4f}{took}"
                    print(row, flush=True)


if __name__ == "__main__":
    main()
