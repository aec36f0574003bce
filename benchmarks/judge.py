"""How good a finished shoot is, measured from its folder alone and from what is true of its subject."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import tifffile
from numpy.typing import NDArray
from skimage.metrics import peak_signal_noise_ratio

Picture = NDArray[np.uint8]
Mask = NDArray[np.bool_]
Plane = NDArray[np.float64]


@dataclass(frozen=True)
class Spread:
    """Median and 95th percentile of the absolute error, px; share of the picture that was measured."""

    median_px: float
    p95_px: float
    known_share: float


@dataclass(frozen=True)
class Shoot:
    """A finished shoot's folder (the contract of proof.json, schema 1)."""

    folder: Path
    proof: dict[str, Any]

    @classmethod
    def load(cls, folder: Path) -> "Shoot":
        """Read proof.json."""
        return cls(folder, json.loads((folder / "proof.json").read_text()))

    def station(self, eye: str) -> dict[str, Any]:
        """Return the proof's entry of the station that became the `left` or `right` eye."""
        name = self.proof["eyes"][eye]
        found: dict[str, Any] = next(s for s in self.proof["stations"] if s["name"] == name)
        return found

    def reference_file(self, eye: str) -> str:
        """Return the name of the frame whose geometry the view has."""
        station = self.station(eye)
        return Path(station["frames"][station["reference_frame"]]).name

    def view(self, eye: str) -> Picture:
        """Return the merged view, (H, W, 3)."""
        return self._pixels(f"views/{self.proof['eyes'][eye]}.tif")

    def focus_map(self, eye: str) -> NDArray[np.float32]:
        """Return the fractional frame number each place is sharp in, NaN where unknown."""
        return np.asarray(tifffile.imread(self.folder / f"views/{self.proof['eyes'][eye]}.focus.tif"))

    def mounted(self, eye: str) -> Picture:
        """Return one eye's mounted picture."""
        return self._pixels(f"pair/{eye}.tif")

    def parallax_px(self) -> NDArray[np.float32]:
        """Return x_right - x_left of the mounted pair in left-eye coordinates, NaN where unknown."""
        return np.asarray(tifffile.imread(self.folder / "pair/parallax.tif"))

    def _pixels(self, name: str) -> Picture:
        return np.asarray(tifffile.imread(self.folder / name), dtype=np.uint8)


def inner(picture: NDArray[Any], share: float = 0.02) -> NDArray[Any]:
    """Leave out the border, which other frames of a stack may not have seen."""
    height, width = picture.shape[:2]
    rows, columns = round(height * share), round(width * share)
    return picture[rows : height - rows, columns : width - columns]


def linear(encoded: NDArray[Any]) -> NDArray[np.float64]:
    """Return linear light of 8-bit sRGB (IEC 61966-2-1:1999)."""
    value = encoded / 255.0
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def encoded(light: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return sRGB in 0 to 255, not rounded, of linear light (IEC 61966-2-1:1999)."""
    value = np.clip(light, 0, 1)
    return 255 * np.where(value <= 0.0031308, 12.92 * value, 1.055 * value ** (1 / 2.4) - 0.055)


def matched(picture: NDArray[Any], truth: NDArray[Any], where: Mask | None = None) -> Plane:
    """Return `picture` in 0 to 255, not rounded, its light multiplied by the factor that fits `truth` best.

    Frames of a stack differ in brightness; burnt-out pixels and those not in `where` have no say (least
    squares over the others).
    """
    seen, sharp = linear(picture), linear(truth)
    usable = (picture < 250).all(axis=-1) & (truth < 250).all(axis=-1)
    if where is not None:
        usable &= where
    gain = (seen[usable] * sharp[usable]).sum() / (seen[usable] ** 2).sum()
    return encoded(gain * seen)


def psnr_db(picture: Picture, truth: Picture) -> float:
    """Return the PSNR of a merged view against the sharp picture, dB; border and brightness left out."""
    sharp = inner(truth)
    fitted = matched(inner(picture), sharp)
    return float(peak_signal_noise_ratio(sharp.astype(np.float64), fitted, data_range=255))


def crop_of(shoot: Shoot) -> tuple[int, int]:
    """Return where the mounted left picture begins in the left view, (x, y) px, by looking for it.

    Raises AssertionError if the mounted left picture is no part of the left view as it is.
    """
    mounted, view = shoot.mounted("left"), shoot.view("left")
    found = cv2.matchTemplate(view, mounted, cv2.TM_SQDIFF)
    _, _, place, _ = cv2.minMaxLoc(found)
    x, y = place
    part = view[y : y + mounted.shape[0], x : x + mounted.shape[1]]
    if not np.array_equal(part, mounted):
        difference = float(np.abs(part.astype(int) - mounted).mean())
        raise AssertionError(
            f"the mounted left picture is no crop of the left view (differs by {difference:.2f})"
        )
    return int(x), int(y)


def on_mounted(shoot: Shoot, disparity_px: NDArray[np.float64], half: bool) -> NDArray[np.float64]:
    """Return what is known of the left view on the pixels of the mounted left picture, NaN outside."""
    x, y = crop_of(shoot)
    height, width = shoot.parallax_px().shape
    columns, rows = np.meshgrid(np.arange(width) + x, np.arange(height) + y)
    if half:
        columns, rows = columns // 2, rows // 2
    inside = (rows < disparity_px.shape[0]) & (columns < disparity_px.shape[1])
    mounted = np.full((height, width), np.nan)
    mounted[inside] = disparity_px[rows[inside], columns[inside]]
    return mounted


def parallax_error(shoot: Shoot, disparity_px: NDArray[np.float64], half: bool = True) -> Spread:
    """Compare the measured parallax with the true disparity of the left view, up to the window's constant.

    `disparity_px`: x_left - x_right on the left view's pixels, NaN where unknown; with `half` in half
    resolution, (row j, column i) at (2i + 0.5, 2j + 0.5) px.
    """
    measured = shoot.parallax_px()
    true = -on_mounted(shoot, disparity_px, half)
    both = np.isfinite(measured) & np.isfinite(true)
    error = measured[both] - true[both]
    error = np.abs(error - np.median(error))
    return Spread(
        float(np.median(error)),
        float(np.percentile(error, 95)),
        float(both.sum() / max(1, np.isfinite(true).sum())),
    )


def true_deviation_px(shoot: Shoot, disparity_px: NDArray[np.float64], half: bool = True) -> float:
    """Return nearest minus farthest disparity (99th, 1st percentile) within the mounted picture, px."""
    true = on_mounted(shoot, disparity_px, half)
    near, far = np.nanpercentile(true, [99, 1])
    return float(near - far)


def vertical_residual_px(left: Picture, right: Picture) -> float:
    """Return the rms of y_left - y_right over matched points of a mounted pair, px (SIFT, cross-checked).

    Wrong matches are left out: those farther from the median than 3 px, far more than any real residual.
    """
    sift: Any = cv2.SIFT.create(2500)
    (points_l, found_l), (points_r, found_r) = (
        sift.detectAndCompute(cv2.cvtColor(eye, cv2.COLOR_RGB2GRAY), None) for eye in (left, right)
    )
    matches = cv2.BFMatcher(crossCheck=True).match(found_l, found_r)
    matches = sorted(matches, key=lambda match: match.distance)[: max(50, len(matches) // 2)]
    rows = np.array([points_l[m.queryIdx].pt[1] - points_r[m.trainIdx].pt[1] for m in matches])
    rows = rows[np.abs(rows - np.median(rows)) < 3]
    return float(np.sqrt((rows**2).mean()))
