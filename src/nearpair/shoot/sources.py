"""From a place of a finished pair back to its frames: which of them is shown there, and what others show."""

from collections import OrderedDict
from collections.abc import Iterable
from pathlib import Path
from threading import Lock

import msgspec
import numpy as np
from numpy.typing import NDArray

from nearpair.errors import ShootError
from nearpair.frames.metadata import FrameInfo
from nearpair.frames.profiles import read_profile
from nearpair.frames.read import Pixels
from nearpair.frames.write import read_tiff
from nearpair.geometry.distortion import Distortion
from nearpair.geometry.projective import Projective
from nearpair.pairs.carried import Lie, Planes, planes_of
from nearpair.pairs.focal import sampled
from nearpair.pixels.detail import energy_of
from nearpair.progress import Progress, silent
from nearpair.shoot.counterparts import Counterparts, counterparts_kept, counterparts_of_pair
from nearpair.shoot.developing import developed_frames
from nearpair.shoot.evening import gains_of, seen_evened
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.looking import Member
from nearpair.shoot.memo import Memo
from nearpair.shoot.merging import SHARPNESS_PX, places_of
from nearpair.shoot.mounting import Mounted, reference_frame
from nearpair.shoot.reading import Reading
from nearpair.shoot.retouches import nearest_used
from nearpair.shoot.run import members, program
from nearpair.shoot.showing import mounted_last
from nearpair.shoot.straightening import distortion_of
from nearpair.shoot.surveying import match_factor
from nearpair.views.retouch import Source, crop_of

Bytes = NDArray[np.uint8]
Point = tuple[float, float]

CROP_PX = 256
_KEPT_BYTES = 256 << 20
_EVERY = 2  # focus maps are made at half the size, at most
_GRID = 400
_NOTHING_THERE = 96


class SourceAt(msgspec.Struct, frozen=True):
    """Which frame a place of a view shows."""

    station: str
    point_px: Point
    """Of the view."""
    number: float | None
    """Of the frame in shooting order, fractional, from 0; None where nothing tells."""
    frames: list[str]
    """Names of all frames of the station in shooting order."""
    usable: list[bool]
    """Whether each could be registered, and so be shown."""
    sharpness: list[float | None]
    """How sharp each frame shows the place, 1 for the sharpest; None where it does not show it."""
    reference: str
    """The frame on which the others were laid for the view."""
    other_number: list[int | None]
    """For each frame, the number of the other station's frame that is focused on the same plane."""


class BothSources(msgspec.Struct, frozen=True):
    """Which frames a place of the pair shows to the left and to the right eye; None where unknown."""

    left: SourceAt | None
    right: SourceAt | None


class Sources:
    """The frames behind a mounted pair; several threads may ask."""

    def __init__(self, folder: ShootFolder, pair: tuple[Member, Member], mounted: Mounted) -> None:
        """Raises ShootError if the stations are not those of the mounted pair."""
        if tuple(member.station.name for member in pair) != mounted.stations:
            raise ShootError("The pair was decided anew since it was mounted.", "Mount it again.")
        self._folder, self._pair, self.mounted = folder, pair, mounted
        self._names = mounted.stations
        self._places = [places_of(member) for member in pair]
        self._focus = [
            np.ascontiguousarray(read_tiff(folder.focus(name, retouched=retouched))[::_EVERY, ::_EVERY])
            for name, retouched in zip(mounted.stations, mounted.retouched, strict=True)
        ]
        self._parallax = read_tiff(folder.parallax)
        self._bent = distortion_of(mounted.mounting.lens)
        self._onto = [Projective.of(np.array(m)) for m in (mounted.left_matrix, mounted.right_matrix)]
        self._planes = self._planes_of_focus()
        self._reading = Reading(developed_frames(folder.cache))
        self._lock = Lock()
        self._decoded: OrderedDict[Path, Pixels] = OrderedDict()

    @classmethod
    def open(cls, folder: ShootFolder, progress: Progress = silent) -> "Sources":
        """Of the pair that was mounted last. Raises NearpairError without one, or without its frames."""
        mounted = mounted_last(folder)
        if mounted is None:
            raise ShootError(f"{folder.root}: no pair is mounted.", "Mount it first.")
        return cls(folder, members(folder.root, progress), mounted)

    @property
    def pair(self) -> tuple[Member, Member]:
        """The stations of the left and of the right eye."""
        return self._pair

    @property
    def key(self) -> str:
        """What stands for the mounted pair."""
        return self.mounted.key

    def of_view(self, eye: int, point: Point) -> BothSources:
        """Which frames a place shows that is given in px of the view of `eye` (0 left, 1 right)."""
        x, y = self.lies(eye, np.array(point, np.float64)).tolist()
        return self.of_pair(eye, (x, y))

    def of_pair(self, eye: int, point: Point) -> BothSources:
        """Which frames a place of one eye's picture shows, given in px of the left view as it lies."""
        left, right = (
            None if at is None else self._at(k, at) for k, at in enumerate(self._both_lie(eye, point))
        )
        return BothSources(left, right)

    @property
    def width_px(self) -> int:
        """Width of the views."""
        return self._pair[0].station.frames[0].size_px[1]

    def station(self, eye: int) -> str:
        """Name of the station of an eye."""
        return self._names[eye]

    def reference(self, eye: int) -> str:
        """Name of the frame on which the others of an eye's station were laid."""
        return reference_frame(self._pair[eye]).path.name

    def eye(self, station: str) -> int:
        """The eye of a station. Raises ShootError if it is not in the pair."""
        if station not in self._names:
            found = f"The pair is made of {' and '.join(self._names)}, not of {station}."
            raise ShootError(found, "Name one of these two.")
        return self._names.index(station)

    def crop(self, eye: int, number: int, point: Point, size_px: int = CROP_PX) -> Bytes | None:
        """What a frame shows around a place (px of the view), as it lies there: (size, size, 3) in sRGB.

        None for a frame that is not there, or lies nowhere, and for a place outside the view.
        """
        member = self._pair[eye]
        height, width = member.station.frames[0].size_px
        if number not in member.survey.used or not (0 <= point[0] < width and 0 <= point[1] < height):
            return None
        left, top = (round(at) - size_px // 2 for at in point)
        shown, seen = crop_of(self.frame(eye, number, number), (left, top, size_px, size_px))
        profile = read_profile(member.station.frames[number].path)
        picture = seen_evened(shown, profile, gains_of(self.mounted.mounting.light)[eye])
        picture[~seen] = _NOTHING_THERE
        return picture

    def frame(self, eye: int, number: int, focus: float) -> Source:
        """A registered frame of an eye's station, as it lies on the view. focus: what stands for it."""
        member = self._pair[eye]
        k = member.survey.used.index(number)
        pixels = self._pixels(member.station.frames[number])
        return Source(pixels, self._places[eye][k], member.survey.gains[k], focus)

    def onto(self, eye: int) -> Projective:
        """From px of an eye's straight view to px of the left view as it lies."""
        return self._onto[eye]

    @property
    def bent(self) -> Distortion | None:
        """What the lens did to the views, as far as it was taken out."""
        return self._bent

    def counterparts(self) -> Counterparts:
        """How the views lie to each other: as the retouch stage found it, else as they are mounted."""
        lens = self.mounted.mounting.lens
        memo = Memo(self._folder.cache, program())
        kept = None if lens is None else counterparts_kept(self._folder, memo, self._names, lens)
        if kept is not None:
            return kept
        height, width = size_px = self.size_px
        factor = match_factor(size_px)
        x, y = self.mounted.mounting.crop_px[:2]
        rows, columns = (np.arange(side // factor) * factor + factor // 2 for side in (height, width))
        disparity = np.full((rows.size, columns.size), np.nan, np.float32)
        down, along = (
            (at >= first) & (at < first + side)
            for at, first, side in zip((rows, columns), (y, x), self._parallax.shape, strict=True)
        )
        shown = self._parallax[np.ix_(rows[down] - y, columns[along] - x)]
        disparity[np.ix_(down, along)] = -shown / (self.mounted.mounting.base_share * factor)
        lie = Lie(size_px, (self._onto[0], self._onto[1]), disparity, factor, self._bent)
        return counterparts_of_pair(lie, (self._focus[0], self._focus[1]), _EVERY)

    def lies(self, eye: int, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Where points (..., 2) of an eye's view come to lie, px of the left view as it lies."""
        if self._bent is not None:
            points_px = self._bent.straight(points_px, self.size_px)
        return self._onto[eye].apply(points_px)

    def in_view(self, eye: int, lies_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """The reverse: the points of the view that came to lie there."""
        points_px = self._onto[eye].inverse().apply(lies_px)
        return points_px if self._bent is None else self._bent.bent(points_px, self.size_px)

    @property
    def size_px(self) -> tuple[int, int]:
        """Height and width of the views."""
        return self._pair[0].station.frames[0].size_px

    def _both_lie(self, eye: int, point: Point) -> tuple[Point | None, Point | None]:
        """Where both views have a place of one eye's picture, px of the left view as it lies."""
        apart, share = self._parallax_at(eye, point), self.mounted.mounting.base_share
        x, y = point
        if eye == 0:
            return point, None if apart is None else (x + apart, y)
        if apart is None:  # in a picture seen from elsewhere nothing is known without depth
            return None, point if share == 1 else None
        first = x - apart * share
        return (first, y), (first + apart, y)

    def _at(self, eye: int, lies: Point) -> SourceAt | None:
        member = self._pair[eye]
        x, y = self.in_view(eye, np.array(lies, np.float64)).tolist()
        height, width = member.station.frames[0].size_px
        if not (-0.5 <= x < width - 0.5 and -0.5 <= y < height - 0.5):
            return None
        found = float(sampled(self._focus[eye], np.array([[x, y]]) / _EVERY)[0])
        used = set(member.survey.used)
        return SourceAt(
            self._names[eye],
            (x, y),
            found if np.isfinite(found) else None,
            [frame.path.name for frame in member.station.frames],
            [number in used for number in range(len(member.station.frames))],
            self._sharpness(eye, (x, y)),
            self.reference(eye),
            [self._other(eye, number) for number in range(len(member.station.frames))],
        )

    def _other(self, eye: int, number: int) -> int | None:
        planes = self._planes[eye]
        return None if planes is None else nearest_used(self._pair[1 - eye], planes.other_at(number))

    def _sharpness(self, eye: int, point: Point) -> list[float | None]:
        """How sharp each frame is at a place of the view: what merging kept."""
        member = self._pair[eye]
        curve: list[float | None] = [None] * len(member.station.frames)
        try:
            kept = np.load(self._folder.sharpness(self._names[eye]), mmap_mode="r")
        except (OSError, ValueError, EOFError):  # derived, and may be deleted at any time
            return curve
        column, row = (int((at + 0.5) // SHARPNESS_PX) for at in point)
        if len(kept) != len(member.survey.used) or row >= kept.shape[1] or column >= kept.shape[2]:
            return curve
        energies = np.sqrt(energy_of(np.ascontiguousarray(kept[:, row, column])).ravel())
        most = float(energies.max(initial=0))
        for number, energy in zip(member.survey.used, energies.tolist(), strict=True):
            curve[number] = energy / most if most > 0 and energy > 0 else None
        return curve

    def _parallax_at(self, eye: int, point: Point) -> float | None:
        """Parallax as shot at a place; for the right eye, of what is seen there by it."""
        x, y, width, height = self.mounted.mounting.crop_px
        column, row = round(point[0] - x), round(point[1] - y)
        if not 0 <= row < height:
            return None
        share = self.mounted.mounting.base_share
        if eye == 1:  # of all in the row that comes to lie there, the nearest is seen
            apart = self._parallax[row]
            meets = np.abs(np.arange(width) + apart - column) < 1
            return float(np.min(apart[meets])) / share if meets.any() else None
        around = self._parallax[max(0, row - 2) : row + 3, max(0, column - 2) : max(0, column + 3)]
        known = around[np.isfinite(around)]
        return float(np.median(known)) / share if known.size else None

    def _planes_of_focus(self) -> tuple[Planes | None, Planes | None]:
        x, y = self.mounted.mounting.crop_px[:2]
        step = max(1, max(self._parallax.shape) // _GRID)
        some = self._parallax[::step, ::step]
        rows, columns = np.nonzero(np.isfinite(some))
        apart = some[rows, columns].astype(np.float64) / self.mounted.mounting.base_share
        lies = np.column_stack([columns, rows]).astype(np.float64) * step + [x, y]
        there = lies + np.column_stack([apart, np.zeros_like(apart)])
        left, right = (
            sampled(focus, self.in_view(eye, at) / _EVERY)
            for eye, (focus, at) in enumerate(zip(self._focus, (lies, there), strict=True))
        )
        return planes_of(left, right, -apart), planes_of(right, left, -apart)

    def _pixels(self, frame: FrameInfo) -> Pixels:
        with self._lock:
            known = self._decoded.get(frame.path)
            if known is not None:
                self._decoded.move_to_end(frame.path)
                return known
        pixels = self._reading.pixels(frame)
        with self._lock:
            self._decoded[frame.path] = pixels
            while len(self._decoded) > 1 and _bytes(self._decoded.values()) > _KEPT_BYTES:
                self._decoded.popitem(last=False)
        return pixels


def _bytes(pictures: Iterable[Pixels]) -> int:
    return sum(picture.nbytes for picture in pictures)
