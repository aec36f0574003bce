"""Makers of the forms that show depth by movement: two views by turns, and a smooth sway between them."""

from pathlib import Path

import numpy as np

from nearpair.frames.animation import write_gif, write_webp
from nearpair.outputs.motion import ROCKING_FRAMES, ROCKING_MS, SWAP_MS, sway
from nearpair.shoot.atomic import replacing
from nearpair.shoot.material import Material, Sized, View
from nearpair.shoot.rebasing import ready

_WIDEST_PX, _WIDEST_GIF_PX = 800, 600
_CAUTION = (
    "Moving pictures can trouble people: let them stop it, and do not let it play by itself beside text."
)


def swap_gif(material: Material, path: Path) -> list[str]:
    """Two views by turns, as GIF."""
    return _gif(path, _both(material), SWAP_MS)


def swap_webp(material: Material, path: Path) -> list[str]:
    """Two views by turns, as WebP."""
    return _webp(material, path, _both(material), SWAP_MS)


def rocking_gif(material: Material, path: Path) -> list[str]:
    """A sway, as GIF."""
    return _gif(path, rocking(material, material.sized(_WIDEST_GIF_PX)), ROCKING_MS // ROCKING_FRAMES)


def rocking_webp(material: Material, path: Path) -> list[str]:
    """A sway, as WebP."""
    frames = rocking(material, material.sized(_WIDEST_PX))
    return _webp(material, path, frames, ROCKING_MS // ROCKING_FRAMES)


def rocking(material: Material, pair: Sized, frames: int = ROCKING_FRAMES) -> list[View]:
    """The pictures of a sway there and back; each view between is reckoned once.

    Raises PairError if almost no depth is known.
    """
    between = ready(pair.left, pair.right, pair.parallax)
    seen: dict[float, View] = {}
    positions = sway(frames)
    for number, position in enumerate(positions):
        if position not in seen:
            material.progress("reckoning views in between", number, frames)
            seen[position] = np.asarray(between.view(position).picture, np.uint8)
    material.progress("reckoning views in between", frames, frames)
    return [seen[position] for position in positions]


def _both(material: Material) -> list[View]:
    pair = material.sized(_WIDEST_PX)
    return [pair.left, pair.right]


def _gif(path: Path, frames: list[View], each_ms: int) -> list[str]:
    with replacing(path) as part:
        write_gif(part, frames, each_ms)
    return _told(len(frames) * each_ms)


def _webp(material: Material, path: Path, frames: list[View], each_ms: int) -> list[str]:
    with replacing(path) as part:
        write_webp(part, frames, each_ms, material.profile, material.carried)
    return _told(len(frames) * each_ms)


def _told(round_ms: int) -> list[str]:
    flashes = f"{1000 / round_ms:.2f} flashes a second at most, of the three that WCAG 2.3.1 allows"
    turns = "It turns about the stereo window: what lies there stands still"
    return [f"One round takes {round_ms / 1000:g} s: {flashes}. {turns}.", _CAUTION]
