"""The sideways jump between two frames, seen in the pictures: a shift of the whole picture.

A frame is kept as a small band-passed picture with its local contrast evened out (`Look`), so that defocus,
brightness and vignetting hardly count. Two looks are compared by phase correlation (Kuglin and Hines, "The
phase correlation image alignment method", IEEE Conf. Cybernetics and Society 1975) with a Hann window and a
band-pass weight; when the pictures do not agree at the same magnification, others are tried, because focus
that went from near to far between the two frames changes the size of the picture by up to about 15 %. What
decides is how well the pictures agree where they overlap (normalised correlation), not the peak alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.errors import FrameError

Band = NDArray[np.float32]

LONG_SIDE_PX = 160  # of a look: 1 px is 0.6 % of the picture, defocus blur and parallax are a few px
BAND_PX = (1.2, 8.0)  # the two Gaussians whose difference is kept: detail down to noise, up to shading
EVENING_PX = 12.0  # over which local contrast is evened out
EVENING_FLOOR = 0.15  # contrast (in square roots of 8 bit values) below which nothing is amplified
WHITENING = 0.75  # exponent on the cross power: 1 is pure phase correlation, which noise disturbs
PEAK_BAND_CYCLES = (0.02, 0.12)  # cycles per px that may form the peak
REACH = (0.3, 0.45)  # largest shift looked for: part of the height, part of the width
MAGNIFICATIONS = (0.95, 1.05, 0.9, 1.1, 0.86, 1.15)  # tried when the pictures do not agree at 1
AGREED = 0.9  # quality at which no other magnification needs trying
STILL = 0.96  # correlation without any shift at which no search is needed
SIGNIFICANT = 7.0  # height of a true peak over the rest, in standard deviations
PREFER_STILL = 0.03  # quality that a shift must gain over standing still


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """What is kept of a frame: `band`, (h, w) float32, longer side 160 px, as stored (not turned)."""

    band: Band


@dataclass(frozen=True, slots=True)
class Shift:
    """How the second picture lies on the first: content moved by (`x`, `y`), parts of the longer side.

    `magnification` is of the second against the first, `quality` the correlation of the overlap (1 is the
    same picture), `significance` the height of the correlation peak in standard deviations (0: not searched).
    """

    x: float
    y: float
    magnification: float
    quality: float
    significance: float


def look_at(glance: NDArray[np.uint8]) -> Look:
    """Return the look of a small luma picture, (h, w) uint8, at least 16 px each way."""
    if glance.ndim != 2 or min(glance.shape) < 16:
        message = f"A glance should be a luma picture of at least 16 x 16 px, found shape {glance.shape}."
        raise FrameError(message, "Use frames of at least a few hundred pixels.")
    factor = LONG_SIDE_PX / max(glance.shape)
    size = (max(16, round(glance.shape[1] * factor)), max(16, round(glance.shape[0] * factor)))
    small = np.sqrt(cv2.resize(glance, size, interpolation=cv2.INTER_AREA).astype(np.float32))
    band = cv2.GaussianBlur(small, (0, 0), BAND_PX[0]) - cv2.GaussianBlur(small, (0, 0), BAND_PX[1])
    contrast = np.sqrt(cv2.GaussianBlur(band * band, (0, 0), EVENING_PX))
    evened = np.asarray(band / (contrast + EVENING_FLOOR), dtype=np.float32)
    return Look(evened)


def shift_between(first: Look, second: Look) -> Shift:
    """Return how the picture moved from `first` to `second`; both of the same shape."""
    if first.band.shape != second.band.shape:
        return Shift(0.0, 0.0, 1.0, 0.0, 0.0)
    still = _agreement(first.band, second.band, (0.0, 0.0))
    standing = Shift(0.0, 0.0, 1.0, still, 0.0)
    if still >= STILL:
        return standing
    spectrum = _spectrum(second.band)
    best = _better(standing, _search(first.band, second.band, spectrum, 1.0))
    if best.quality >= AGREED:
        return best
    for magnification in MAGNIFICATIONS:
        warped = _magnified(first.band, magnification)
        best = _better(best, _search(warped, second.band, spectrum, magnification))
    return best


def _better(old: Shift, new: Shift) -> Shift:
    """Return the shift that agrees better; a move must be significant, and gain something over none."""
    moved = max(abs(new.x), abs(new.y)) * LONG_SIDE_PX >= 1
    if moved and new.significance < SIGNIFICANT:
        return old
    gain = PREFER_STILL if moved and old.x == old.y == 0 else 0.0
    return new if new.quality > old.quality + gain else old


def _search(first: Band, second: Band, spectrum: NDArray[np.complex64],
            magnification: float) -> Shift:  # fmt: skip
    cross = np.conj(_spectrum(first)) * spectrum
    power = np.abs(cross)
    cross /= power**WHITENING + 1e-3 * power.mean() + 1e-12
    surface = np.fft.irfft2(cross * _peak_weight(first.shape), s=_padded(first.shape)).astype(np.float32)
    x_px, y_px, significance = _peak(surface, first.shape)
    quality = _agreement(first, second, (x_px, y_px))
    longer = max(first.shape)
    return Shift(x_px / longer, y_px / longer, magnification, quality, significance)


def _peak(surface: Band, shape: tuple[int, ...]) -> tuple[float, float, float]:
    """Return (x, y) of the highest point within reach, px to a fraction, and its height in deviations."""
    height, width = surface.shape
    reach = [round(part * size) for part, size in zip(REACH, shape, strict=True)]
    rows = np.r_[0 : reach[0] + 1, height - reach[0] : height]
    columns = np.r_[0 : reach[1] + 1, width - reach[1] : width]
    allowed = surface[np.ix_(rows, columns)]
    row, column = np.unravel_index(int(allowed.argmax()), allowed.shape)
    y, x = int(rows[row]), int(columns[column])
    spread = float(surface.std()) + 1e-12
    significance = (float(surface[y, x]) - float(surface.mean())) / spread
    x_px = x + _vertex(surface[y, x - 1], surface[y, x], surface[y, (x + 1) % width])
    y_px = y + _vertex(surface[y - 1, x], surface[y, x], surface[(y + 1) % height, x])
    return _centred(x_px, width), _centred(y_px, height), significance


def _vertex(before: np.float32, at: np.float32, after: np.float32) -> float:
    """Return where the parabola through three neighbours is highest, -0.5 to 0.5."""
    bend = float(before) - 2 * float(at) + float(after)
    return float(np.clip((float(before) - float(after)) / (2 * bend), -0.5, 0.5)) if bend < 0 else 0.0


def _centred(position: float, size: int) -> float:
    return position - size if position > size / 2 else position


def _agreement(first: Band, second: Band, move_px: tuple[float, float]) -> float:
    """Return the correlation of `first`, moved, with `second` where both show something."""
    height, width = first.shape
    x, y = move_px
    if x or y:
        move = np.array([[1, 0, x], [0, 1, y]], dtype=np.float32)
        first = np.asarray(cv2.warpAffine(first, move, (width, height)), dtype=np.float32)
    rows = slice(max(0, int(np.ceil(y))), height + min(0, int(np.floor(y))))
    columns = slice(max(0, int(np.ceil(x))), width + min(0, int(np.floor(x))))
    a, b = first[rows, columns].ravel(), second[rows, columns].ravel()
    return float(a @ b) / (float(np.sqrt(float(a @ a) * float(b @ b))) + 1e-9)


def _magnified(band: Band, magnification: float) -> Band:
    height, width = band.shape
    centre = ((width - 1) / 2, (height - 1) / 2)
    enlarge = cv2.getRotationMatrix2D(centre, 0, magnification)
    return np.asarray(cv2.warpAffine(band, enlarge, (width, height)), dtype=np.float32)


def _padded(shape: tuple[int, ...]) -> tuple[int, int]:
    return cv2.getOptimalDFTSize(shape[0]), cv2.getOptimalDFTSize(shape[1])


def _spectrum(band: Band) -> NDArray[np.complex64]:
    return np.asarray(np.fft.rfft2(band * _window(band.shape), s=_padded(band.shape)), dtype=np.complex64)


@cache
def _window(shape: tuple[int, ...]) -> Band:
    """Return the Hann window without its zeros, shape (h, w)."""
    sides = [np.hanning(size + 2)[1:-1] for size in shape]
    return np.asarray(np.outer(*sides), dtype=np.float32)


@cache
def _peak_weight(shape: tuple[int, ...]) -> Band:
    """Return the weight of each frequency (half spectrum) in the peak: neither shading nor noise."""
    height, width = _padded(shape)
    frequency = np.hypot(np.fft.fftfreq(height)[:, None], np.fft.rfftfreq(width)[None, :])
    low, high = PEAK_BAND_CYCLES
    weight = np.exp(-((frequency / high) ** 2)) * (1 - np.exp(-((frequency / low) ** 2)))
    return np.asarray(weight, dtype=np.float32)
