"""Colour error, rivalry and ghosting of every way to make an anaglyph, for pairs whose parallax is known.

    python -m benchmarks.anaglyphs FOLDER... [--glasses NAME] [--pictures DIR]

FOLDERs are ray-traced scenes with truth; real pairs are added: motorcycle (Middlebury 2014,
scikit-image), aloe and cones (Middlebury 2006 and 2003), rockery (mounted and measured by the job itself).
All three terms are root mean squares over matched points, in units of CIE 1976 L*a*b*, seen through the
glasses with what leaks (`nearpair.colour.seen`):

- colour: the fused colour (left eye at x, right eye at the partner) against the mean of both views there;
- rivalry: L* before one eye less L* before the other, less that of the views themselves;
- ghosting: how much L* before an eye changes where the other eye's picture is displaced by its parallax,
  against the same pair without parallax; both eyes together.

The sum is sqrt(colour² + 4 rivalry² + 4 ghosting²). "In rivalry": share of points where one eye sees less
than 0.40 of the brightness that the other sees.
"""

import argparse
import importlib
import shutil
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image

from benchmarks import truth
from nearpair.colour import seen
from nearpair.colour.glasses import GLASSES, Glasses
from nearpair.colour.light import decode_srgb, encode_srgb
from nearpair.colour.projection import FilteredDisplay
from nearpair.frames.write import read_tiff
from nearpair.outputs.anaglyph import METHODS, anaglyph
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.run import make
from nearpair.shoot.shown import pair_as_seen

Picture = NDArray[np.uint8]
Plane = NDArray[np.float64]

ROOT = Path(__file__).parents[1]
ROCKERY = ROOT / "tests" / "data" / "real" / "rockery"
RIVALRY_WEIGHT = GHOST_WEIGHT = 4.0
LEAST_RATIO = 0.40
DARKEST_COMPARED = 0.02


@dataclass(frozen=True)
class Pair:
    """Two views and the parallax (H, W) of the left one, px, NaN where unknown."""

    name: str
    left: Picture
    right: Picture
    parallax: NDArray[np.float32]


@dataclass(frozen=True)
class Terms:
    """The three terms, their sum, and the share of points in rivalry."""

    colour: float
    rivalry: float
    ghosting: float
    in_rivalry: float

    @property
    def sum(self) -> float:
        """What the methods are held against each other by."""
        squares = self.colour**2 + RIVALRY_WEIGHT * self.rivalry**2 + GHOST_WEIGHT * self.ghosting**2
        return float(np.sqrt(squares))


def measured(pair: Pair, glasses: Glasses, method: str) -> Terms:
    """Look at a pair through the glasses, made by one method."""
    height, width = pair.parallax.shape
    rows = np.repeat(np.arange(height, dtype=np.float32)[:, None], width, axis=1)
    columns = np.repeat(np.arange(width, dtype=np.float32)[None], height, axis=0)
    partner = columns + pair.parallax
    known = np.isfinite(partner) & (partner >= 0) & (partner <= width - 1)
    at = np.where(known, partner, 0).astype(np.float32)

    def moved(picture: Picture) -> Picture:
        return np.asarray(cv2.remap(picture, at, rows, cv2.INTER_LINEAR), np.uint8)

    def shown(left: Picture, right: Picture) -> Plane:
        return np.asarray(decode_srgb(anaglyph(left, right, glasses, method))[known], np.float64)

    flat = shown(pair.left, moved(pair.right))
    left = shown(pair.left, pair.right)
    right = shown(moved(pair.left), moved(pair.right))
    views = tuple(decode_srgb(view)[known].astype(np.float64) for view in (pair.left, moved(pair.right)))
    return _terms(glasses, views, left, right, flat)


def _terms(glasses: Glasses, views: tuple[Plane, ...], left: Plane, right: Plane, flat: Plane) -> Terms:
    display = _display(glasses)
    sees_left, sees_right = seen.brightness(display)
    bare = seen.share_of_white(display.bare)
    white = (display.left + display.right).sum(axis=1)
    together = (left @ display.left.T + right @ display.right.T) / white
    colour = seen.lab(together) - seen.lab((views[0] + views[1]) / 2 @ bare.T)
    own = seen.lightness(views[0] @ bare[1]) - seen.lightness(views[1] @ bare[1])
    rivalry = seen.lightness(left @ sees_left) - seen.lightness(right @ sees_right) - own
    ghosts = [
        seen.lightness(now @ sees) - seen.lightness(flat @ sees)
        for now, sees in ((left, sees_left), (right, sees_right))
    ]
    bright = np.maximum(left @ sees_left, right @ sees_right)
    dark = np.minimum(left @ sees_left, right @ sees_right)
    return Terms(
        colour=_rms(np.sqrt(np.sum(colour**2, axis=-1))),
        rivalry=_rms(rivalry),
        ghosting=_rms(np.concatenate(ghosts)),
        in_rivalry=float(np.mean((dark < LEAST_RATIO * bright) & (bright >= DARKEST_COMPARED))),
    )


def _display(glasses: Glasses) -> FilteredDisplay:
    if glasses.display is None:
        raise SystemExit(f"What {glasses.name} glasses pass is not known.")
    return glasses.display


def _rms(values: Plane) -> float:
    return float(np.sqrt(np.mean(values**2)))


def scene_pair(folder: Path) -> Pair:
    """The pinhole views of both eyes at the deepest end, window in the middle of the depth."""
    scene = truth.load(folder)
    end = truth.ENDS[0]
    left, right = (
        np.asarray(Image.open(folder / "truth" / f"{station}_{end}_allinfocus.jpg").convert("RGB"))
        for station in (scene.left, scene.right)
    )
    file = next(
        name for name, frame in scene.frames.items() if frame.station == scene.left and scene.end(name) == end
    )
    half = scene.disparity_px(file)
    height, width = left.shape[:2]
    disparity = cv2.resize(half.astype(np.float32), (width, height), interpolation=cv2.INTER_NEAREST)
    return _windowed(Pair(folder.name, left, right, np.asarray(-disparity, np.float32)))


def _windowed(pair: Pair) -> Pair:
    """Cut both views so that the median of the depth lies in the window."""
    shift = round(float(np.nanmedian(pair.parallax)))  # negative: things lie farther left in the right view
    if shift < 0:
        return Pair(
            pair.name, pair.left[:, -shift:], pair.right[:, :shift], pair.parallax[:, -shift:] - shift
        )
    if shift > 0:
        return Pair(
            pair.name, pair.left[:, :-shift], pair.right[:, shift:], pair.parallax[:, :-shift] - shift
        )
    return pair


def real_pairs() -> Iterator[Pair]:
    """Three with measured depth (tests/support/pairs.py), one with the depth that the job finds."""
    if (tests := str(ROOT / "tests")) not in sys.path:
        sys.path.insert(0, tests)
    pairs: Any = importlib.import_module("support.pairs")  # lies beside the tests, in no package
    for measured_pair in (pairs.motorcycle(), pairs.aloe(), pairs.cones()):
        parallax = np.where(measured_pair.known_left, -measured_pair.disparity_left_px, np.nan)
        views = measured_pair.left, measured_pair.right
        yield _windowed(Pair(measured_pair.name, *views, parallax.astype(np.float32)))
    yield rockery()


def rockery() -> Pair:
    """A pair from a camera with two lenses, as `nearpair make` mounts and measures it."""
    with tempfile.TemporaryDirectory() as home:
        folders = [Path(home) / eye for eye in ("left", "right")]
        for folder in folders:
            folder.mkdir()
            shutil.copy(ROCKERY / f"{folder.name}.jpg", folder)
        make(folders, Path(home) / "shoot")
        shoot = ShootFolder.open(Path(home) / "shoot")
        return Pair("rockery", *pair_as_seen(shoot), read_tiff(shoot.parallax))


def as_seen(pair: Pair, glasses: Glasses, method: str) -> Picture:
    """What is looked at: the anaglyph, then the left and the right eye's brightness, then both fused."""
    display = _display(glasses)
    made = anaglyph(pair.left, pair.right, glasses, method)
    light = decode_srgb(made).astype(np.float64)
    eyes = [np.repeat((light @ sees)[..., None], 3, axis=-1) for sees in seen.brightness(display)]
    srgb = np.linalg.inv(seen.share_of_white(display.bare))
    both = light @ seen.fused(display).T @ srgb.T
    parts = [made, *(encode_srgb(part.astype(np.float32)) for part in (*eyes, both))]
    return np.vstack([np.hstack(parts[:2]), np.hstack(parts[2:])])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("folders", nargs="*", type=Path)
    parser.add_argument("--glasses", choices=[*GLASSES], nargs="*", default=[*GLASSES])
    parser.add_argument("--pictures", type=Path)
    options = parser.parse_args()
    pairs = [*(scene_pair(folder) for folder in options.folders), *real_pairs()]
    print("| glasses | pair | method | colour | rivalry | ghosting | sum | in rivalry |")
    print("| --- | --- | --- | --: | --: | --: | --: | --: |")
    for name in options.glasses:
        for pair in pairs:
            for method in METHODS:
                found = measured(pair, GLASSES[name], method)
                print(
                    f"| {name} | {pair.name} | {method} | {found.colour:.1f} | {found.rivalry:.1f} | "
                    f"{found.ghosting:.2f} | {found.sum:.1f} | {found.in_rivalry:.1%} |",
                    flush=True,
                )
                if options.pictures:
                    options.pictures.mkdir(parents=True, exist_ok=True)
                    looked_at = as_seen(pair, GLASSES[name], method)
                    Image.fromarray(looked_at).save(options.pictures / f"{name}-{pair.name}-{method}.jpg")


if __name__ == "__main__":
    main()
