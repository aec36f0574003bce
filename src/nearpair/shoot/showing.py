"""The mounted pair with what lies around its crop, in sRGB and at every size, ready to be shown."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import msgspec
import numpy as np

from nearpair.errors import ShootError
from nearpair.frames.write import read_tiff
from nearpair.outputs.anaglyph import anaglyph
from nearpair.outputs.floating import masked
from nearpair.pixels.moved import moved
from nearpair.proof.model import Mounting
from nearpair.shoot.decisions import Adjusting, ColourDecisions, Retouch
from nearpair.shoot.evening import Gains, gains_of
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.glassesfile import described, glasses_named
from nearpair.shoot.memo import Memo, key_of
from nearpair.shoot.mounting import Mounted
from nearpair.shoot.preview import Bytes, Map, Matrix, Plane, read_preview, small_map
from nearpair.shoot.run import program
from nearpair.shoot.shown import as_evened, as_seen
from nearpair.shoot.straightening import distortion_of, straight

_SMALLEST_PX = 256


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """One mounted pair, ready to be shown.

    left, right: both pictures in the coordinates of the left view as it lies, whole: `size_px` (height,
    width) halved `finest` times first, each next one half the size of the one before. Not halved, they are
    inside the crop the mounted pair to the byte. parallax: map of the crop, reduced by `parallax_factor`, NaN
    where unknown, in px of the full pictures. near_px, far_px: its 1st and 99th percentile. matrices: for
    each eye, from px of its view, freed of the lens's distortion, to px of the left view as it lies; view_px:
    height and width of the views; retouches: what of them shows frames that were chosen by hand.
    """

    key: str
    stations: tuple[str, str]
    mounting: Mounting
    adjust: Adjusting
    size_px: tuple[int, int]
    finest: int
    left: tuple[Bytes, ...]
    right: tuple[Bytes, ...]
    parallax: Plane
    parallax_factor: int
    near_px: float | None
    far_px: float | None
    matrices: tuple[Matrix, Matrix]
    view_px: tuple[int, int]
    retouches: tuple[Retouch, ...]

    @property
    def levels(self) -> int:
        """How many sizes there are, those that are too fine to be held included."""
        return self.finest + len(self.left)

    def held(self, eye: str, level: int) -> Bytes | None:
        """A picture ("left" or "right") halved so many times; None if it is not held."""
        pictures = self.left if eye == "left" else self.right
        return pictures[level - self.finest] if self.finest <= level < self.levels else None

    def coarser(self) -> "Shown":
        """The same without its largest pictures."""
        return replace(self, finest=self.finest + 1, left=self.left[1:], right=self.right[1:])


def mounted_last(folder: ShootFolder) -> Mounted | None:
    """What the mount stage did last, if its files still are as it left them."""
    memo = Memo(folder.cache, program())
    found = memo.latest("mount", [folder.left, folder.right, folder.parallax])
    return None if found is None else msgspec.json.decode(found, type=Mounted)


def shown(folder: ShootFolder, mounted: Mounted) -> Shown:
    """Read the pair and its views. Raises FrameError, and ShootError if they do not belong together."""
    views = [
        folder.view(station, retouched=retouched)
        for station, retouched in zip(mounted.stations, mounted.retouched, strict=True)
    ]
    gains = gains_of(mounted.mounting.light)
    eyes = zip((folder.left, folder.right), views, _matrices(mounted), gains, strict=True)
    with ThreadPoolExecutor(3) as pool:  # decoding and moving leave the other cores alone
        wholes = [pool.submit(_whole, mounted, *eye) for eye in eyes]
        told = small_map(read_tiff(folder.parallax), mounted.local)
        left, right = (pyramid(whole.result()) for whole in wholes)
    return _shown(mounted, left, right, told, (left[0].shape[0], left[0].shape[1]), 0)


def shown_small(folder: ShootFolder, mounted: Mounted) -> Shown | None:
    """The pair as it was kept small when it was mounted; None where that was not done: it is small itself."""
    kept = read_preview(folder.preview, mounted.key)
    if kept is None:
        return None
    return _shown(mounted, pyramid(kept.left), pyramid(kept.right), kept.map, kept.size_px, kept.halved)


def _shown(
    mounted: Mounted,
    left: tuple[Bytes, ...],
    right: tuple[Bytes, ...],
    told: Map,
    size_px: tuple[int, int],
    finest: int,
) -> Shown:
    what = (mounted.key, mounted.stations, mounted.mounting, mounted.adjust)
    depth = (told.parallax, told.factor, told.near_px, told.far_px)
    views = (_matrices(mounted), mounted.size_px, mounted.retouches)
    return Shown(*what, size_px, finest, left, right, *depth, *views)


def _matrices(mounted: Mounted) -> tuple[Matrix, Matrix]:
    return mounted.left_matrix, mounted.right_matrix


def _whole(mounted: Mounted, pair: Path, view_file: Path, matrix: Matrix, gains: Gains) -> Bytes:
    """One eye's mounted picture in the place of the left view, with the rest of its own view around it."""
    x, y, width, height = crop = mounted.mounting.crop_px
    if mounted.mounting.base_share == 1.0:
        view = straight(as_evened(view_file, gains), distortion_of(mounted.mounting.lens))
        whole = _laid(view, matrix, (view.shape[0], view.shape[1]))
    else:  # around a picture seen from elsewhere there is nothing that fits it
        whole = np.zeros((y + height, x + width, 3), np.uint8)
    _put(whole, as_seen(pair), crop)
    return whole


def mixed(pair: Shown, colour: ColourDecisions) -> tuple[Bytes, ...]:
    """The anaglyph as `nearpair export` writes it, in the place of the left view; around it half-colour."""
    x, y, width, height = pair.mounting.crop_px
    glasses = glasses_named(colour.glasses)
    whole = np.zeros_like(pair.left[0])
    rows = ((0, y), (y, y + height), (y, y + height), (y + height, whole.shape[0]))
    columns = ((0, None), (0, x), (x + width, None), (0, None))
    for (top, bottom), (first, last) in zip(rows, columns, strict=True):
        cut = (slice(top, bottom), slice(first, last))
        if whole[cut].size:
            whole[cut] = anaglyph(pair.left[0][cut], pair.right[0][cut], glasses, "half-colour")
    cut = (slice(y, y + height), slice(x, x + width))
    left, right = masked(pair.left[0][cut], pair.right[0][cut], pair.mounting.floating_px)
    whole[cut] = anaglyph(left, right, glasses, colour.method)
    return pyramid(whole)


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


def pyramid(picture: Bytes) -> tuple[Bytes, ...]:
    """A picture at every size that a page asks for, each half as large as the one before."""
    levels = [picture]
    while max(levels[-1].shape[:2]) > _SMALLEST_PX:
        height, width = levels[-1].shape[:2]
        half = (max(1, -(-width // 2)), max(1, -(-height // 2)))
        levels.append(np.asarray(cv2.resize(levels[-1], half, interpolation=cv2.INTER_AREA), np.uint8))
    return tuple(levels)
