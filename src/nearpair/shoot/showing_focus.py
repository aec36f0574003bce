"""The focus map of the left view, to be shown where the view lies in the mounted pair."""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from nearpair.frames.write import read_tiff
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.mounting import Mounted
from nearpair.shoot.preview import Plane
from nearpair.shoot.straightening import distortion_of, straight

_LONG_SIDE_PX = 3000
_MAP_LONG_SIDE_PX = 512


@dataclass(frozen=True, slots=True, eq=False)
class FocusShown:
    """Which frame (from 0, in shooting order, NaN where unknown) was sharpest, by place of the mounted pair.

    key: of the pair. plane: the left view's focus map, each `factor`-th of its px. to_view: px of the left
    view as it lies → px of the view, (2, 3).
    """

    key: str
    plane: Plane
    factor: int
    to_view: NDArray[np.float64]

    def piece(self, start: tuple[float, float], step: float, size: tuple[int, int]) -> Plane:
        """Frames at places as the view lies: from (x, y) on every `step` px, size (rows, columns)."""
        view = self.to_view @ np.array([[step, 0, start[0]], [0, step, start[1]], [0, 0, 1]])
        taken = view / self.factor
        taken[:, 2] -= (self.factor - 1) / 2 / self.factor  # its px stand for the middles of blocks
        flags = cv2.INTER_NEAREST | cv2.WARP_INVERSE_MAP
        found: Any = cv2.warpAffine(
            self.plane,
            taken,
            size[::-1],
            flags=flags,
            borderMode=cv2.BORDER_CONSTANT,
            borderValue=float("nan"),
        )
        return np.asarray(found, np.float32)

    def small(self, crop_px: tuple[int, int, int, int]) -> tuple[Plane, int]:
        """A map of the crop for a page, and by how much it is reduced: as the parallax map is."""
        x, y, width, height = crop_px
        step = max(1, -(-max(width, height) // _MAP_LONG_SIDE_PX))
        rows, columns = (len(range(step // 2, side, step)) for side in (height, width))
        return self.piece((x + step // 2, y + step // 2), step, (rows, columns)), step


def focus_shown(folder: ShootFolder, mounted: Mounted) -> FocusShown:
    """Read the left view's focus map. Raises FrameError if it is not there."""
    whole = read_tiff(folder.focus(mounted.stations[0], retouched=mounted.retouched[0]))
    focus = straight(whole, distortion_of(mounted.mounting.lens), cv2.INTER_NEAREST)
    factor = max(1, -(-max(focus.shape) // _LONG_SIDE_PX))
    middle = factor // 2
    plane = np.ascontiguousarray(focus[middle::factor, middle::factor], np.float32)
    back = np.linalg.inv(np.array(mounted.left_matrix, np.float64))
    return FocusShown(mounted.key, plane, factor, back[:2] / back[2, 2])
