"""A whole shoot simulated from a measured pair: two folders of frames, and what is true of them."""

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from support.card import Camera
from support.pairs import MeasuredPair
from support.simulate import Lens, focus_planes, focus_stack, scales

FAR, NEAR = "far-to-near", "near-to-far"


@dataclass(frozen=True)
class SimulatedShoot:
    """Folders by eye, names in shooting order by eye, and the truth."""

    pair: MeasuredPair
    lens: Lens
    folders: dict
    names: dict
    orders: dict

    def station_of(self, name):
        """Which eye a frame was taken for."""
        return next(eye for eye, names in self.names.items() if name in names)

    def focus_of(self, name):
        """Number of a frame counted from far to near."""
        eye = self.station_of(name)
        number = self.names[eye].index(name)
        return number if self.orders[eye] == FAR else self.lens.frames - 1 - number

    def view(self, name):
        """The sharp picture as large as this frame draws it."""
        eye = self.station_of(name)
        return scaled(getattr(self.pair, eye), scales(self.lens)[self.focus_of(name)], cv2.INTER_LANCZOS4)

    def disparity_px(self, name):
        """Disparity of the left eye as large as this frame draws it, NaN where nobody measured it."""
        scale = scales(self.lens)[self.focus_of(name)]
        known = np.where(self.pair.known_left, self.pair.disparity_left_px, np.nan)
        return scale * scaled(known, scale, cv2.INTER_NEAREST)


def scaled(picture, scale, method):
    """Scale about the centre, size kept."""
    height, width = picture.shape[:2]
    cx, cy = (width - 1) / 2, (height - 1) / 2
    matrix = np.array([[scale, 0, cx * (1 - scale)], [0, scale, cy * (1 - scale)]])
    return cv2.warpAffine(picture, matrix, (width, height), flags=method, borderMode=cv2.BORDER_REPLICATE)


def simulate(pair, lens, target: Path, orders=(FAR, NEAR), names=("one", "two")):
    """Shoot the left eye's stack, move over, shoot the right eye's; folders are called `names`."""
    camera, folders, written = Camera(), {}, {}
    planes = focus_planes(pair.disparity_left_px, lens.frames)
    for seed, (eye, order, name) in enumerate(zip(("left", "right"), orders, names, strict=True)):
        disparity_px = getattr(pair, f"disparity_{eye}_px")
        frames = focus_stack(getattr(pair, eye), disparity_px, lens, planes, seed)
        folders[eye] = target / name
        written[eye] = camera.shoot(frames if order == FAR else frames[::-1], folders[eye])
        camera.wait(60)
    return SimulatedShoot(pair, lens, folders, written, dict(zip(("left", "right"), orders, strict=True)))
