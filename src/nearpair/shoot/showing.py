"""The mounted pair with what lies around its crop, in sRGB and at every size, ready to be shown."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import cv2
import msgspec
import numpy as np
from numpy.typing import NDArray

from nearpair.errors import ShootError
from nearpair.frames.write import read_tiff
from nearpair.outputs.anaglyph import anaglyph
from nearpair.outputs.floating import masked
from nearpair.pixels.moved import moved
from nearpair.proof.model import Mounting
from nearpair.shoot.decisions import Adjusting, ColourDecisions
from nearpair.shoot.exporting import as_seen
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.glassesfile import described, glasses_named
from nearpair.shoot.memo import Memo, key_of
from nearpair.shoot.mounting import Matrix, Mounted
from nearpair.shoot.run import program
from nearpair.shoot.straightening import distortion_of, straight

Bytes = NDArray[np.uint8]
Plane = NDArray[np.float32]

_SMALLEST_PX = 256
_MOST_ROWS = 1000  # that near and far are taken from
_MAP_LONG_SIDE_PX = 512


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """One mounted pair, ready to be shown.

    left, right: both pictures in the coordinates of the left view as it lies, whole, finest first, each next
    one half the size of the one before. Inside the crop they are the mounted pair to the byte. parallax: map
    of the crop, reduced by `parallax_factor`, NaN where unknown, in px of the full pictures.
    """

    key: str
    stations: tuple[str, str]
    mounting: Mounting
    adjust: Adjusting
    left: tuple[Bytes, ...]
    right: tuple[Bytes, ...]
    parallax: Plane
    parallax_factor: int
    near_px: float | None
    far_px: float | None

    @property
    def size_px(self) -> tuple[int, int]:
        """Height and width of the whole pictures."""
        return self.left[0].shape[0], self.left[0].shape[1]


def mounted_last(folder: ShootFolder) -> Mounted | None:
    """What the mount stage did last, if its files still are as it left them."""
    memo = Memo(folder.cache, program())
    found = memo.latest("mount", [folder.left, folder.right, folder.parallax])
    return None if found is None else msgspec.json.decode(found, type=Mounted)


def shown(folder: ShootFolder, mounted: Mounted) -> Shown:
    """Read the pair and its views. Raises FrameError, and ShootError if they do not belong together."""
    eyes = zip((folder.left, folder.right), mounted.stations, _matrices(mounted), strict=True)
    with ThreadPoolExecutor(3) as pool:  # decoding and moving leave the other cores alone
        wholes = [pool.submit(_whole, folder, mounted, *eye) for eye in eyes]
        parallax = read_tiff(folder.parallax)
        some = parallax[:: max(1, parallax.shape[0] // _MOST_ROWS)]
        known = some[np.isfinite(some)]
        near, far = (float(v) for v in np.percentile(known, [1, 99])) if known.size else (None, None)
        left, right = (_pyramid(whole.result()) for whole in wholes)
    factor = max(1, -(-max(parallax.shape) // _MAP_LONG_SIDE_PX))
    middle = factor // 2
    small = np.ascontiguousarray(parallax[middle::factor, middle::factor], np.float32)
    what = (mounted.key, mounted.stations, mounted.mounting, mounted.adjust)
    return Shown(*what, left, right, small, factor, near, far)


def _matrices(mounted: Mounted) -> tuple[Matrix, Matrix]:
    return mounted.left_matrix, mounted.right_matrix


def _whole(folder: ShootFolder, mounted: Mounted, pair: Path, station: str, matrix: Matrix) -> Bytes:
    """One eye's mounted picture in the place of the left view, with the rest of its own view around it."""
    x, y, width, height = crop = mounted.mounting.crop_px
    if mounted.mounting.base_share == 1.0:
        view = straight(as_seen(folder.view(station)), distortion_of(mounted.mounting.lens))
        whole = _laid(view, matrix, (view.shape[0], view.shape[1]))
    else:  # around a picture seen from elsewhere there is nothing that fits it
        whole = np.zeros((y + height, x + width, 3), np.uint8)
    _put(whole, as_seen(pair), crop)
    return whole


def mixed(pair: Shown, colour: ColourDecisions) -> tuple[Bytes, ...]:
    """The anaglyph of a pair in the place of its left picture, black around the crop, at every size.

    It is what the export stage writes, to the code. Raises NearpairError for glasses that are not known.
    """
    x, y, width, height = pair.mounting.crop_px
    cut = (slice(y, y + height), slice(x, x + width))
    left, right = masked(pair.left[0][cut], pair.right[0][cut], pair.mounting.floating_px)
    whole = np.zeros_like(pair.left[0])
    whole[cut] = anaglyph(left, right, glasses_named(colour.glasses), colour.method)
    return _pyramid(whole)


def mixture_key(colour: ColourDecisions) -> str:
    """Digest of what an anaglyph is made for and how."""
    return key_of(colour, described(colour.glasses))


def _put(whole: Bytes, cut: Bytes, crop_px: tuple[int, int, int, int]) -> None:
    x, y, width, height = crop_px
    if cut.shape[:2] != (height, width) or whole.shape[0] < y + height or whole.shape[1] < x + width:
        message = "The mounted pair on disk is not the one that was recorded."
        raise ShootError(message, "Mount it again.")
    whole[y : y + height, x : x + width] = cut


def _laid(view: Bytes, matrix: Matrix, size: tuple[int, int]) -> Bytes:
    """A view where mounting lays it; black where it shows nothing."""
    placed = np.array(matrix, np.float64)
    laid = moved(view, placed, size, cv2.INTER_LANCZOS4, cv2.BORDER_CONSTANT)
    return np.ascontiguousarray(laid, np.uint8)


def _pyramid(picture: Bytes) -> tuple[Bytes, ...]:
    levels = [picture]
    while max(levels[-1].shape[:2]) > _SMALLEST_PX:
        height, width = levels[-1].shape[:2]
        half = (max(1, -(-width // 2)), max(1, -(-height // 2)))
        levels.append(np.asarray(cv2.resize(levels[-1], half, interpolation=cv2.INTER_AREA), np.uint8))
    return tuple(levels)
