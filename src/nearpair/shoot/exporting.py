"""The export stage: the finished forms of the mounted pair."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nearpair.colour.glasses import GLASSES, Glasses
from nearpair.errors import NearpairError
from nearpair.frames.profiles import read_profile, srgb_profile, to_srgb
from nearpair.frames.read import Pixels
from nearpair.frames.write import read_tiff, write_jpeg
from nearpair.outputs.anaglyph import METHODS, anaglyph
from nearpair.outputs.floating import masked
from nearpair.outputs.freeview import crossed, parallel
from nearpair.progress import Progress
from nearpair.shoot.atomic import replacing
from nearpair.shoot.decisions import Decisions
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.memo import Memo, key_of

_QUALITY = 95
_GAP_SHARE = 0.02


def glasses_named(name: str) -> Glasses:
    """The glasses of a shoot. Raises NearpairError for a name that is not known."""
    if name not in GLASSES:
        message = f"There are no glasses named {name!r}."
        raise NearpairError(message, f"Choose one of {', '.join(GLASSES)}.")
    return GLASSES[name]


def methods_for(glasses: Glasses) -> list[str]:
    """The colour methods that these glasses allow."""
    return [m for m in METHODS if m != "least-squares" or glasses.least_squares is not None]


def export(
    shoot: ShootFolder,
    memo: Memo,
    mount_key: str,
    decisions: Decisions,
    progress: Progress,
    floating_px: tuple[int, int] = (0, 0),
) -> dict[str, Path]:
    """Write the anaglyph by every method and the pictures for free viewing; returns their files by name.

    floating_px: widths of the masks of a floating window.
    """
    glasses = glasses_named(decisions.colour.glasses)
    files = {
        f"anaglyph-{method}": shoot.out(anaglyph_name(glasses.name, method))
        for method in methods_for(glasses)
    }
    files |= {name: shoot.out(f"{name}.jpg") for name in ("parallel", "crossed")}
    key = key_of(mount_key, decisions.colour.glasses, _QUALITY)
    if memo.recall("export", key, list(files.values())) is not None:
        return files
    left, right = masked(*pair_as_seen(shoot), floating_px)
    for done, (name, path) in enumerate(files.items()):
        progress("writing the outputs", done, len(files))
        _save(path, _making(name, glasses)(left, right))
    progress("writing the outputs", len(files), len(files))
    memo.record("export", key, list(files.values()), b"done")
    return files


def anaglyph_name(glasses: str, method: str) -> str:
    """Name of the anaglyph among the outputs."""
    return f"anaglyph-{glasses}-{method}.jpg"


def _making(name: str, glasses: Glasses) -> Callable[[Pixels, Pixels], NDArray[Any]]:
    if name.startswith("anaglyph-"):
        method = name.removeprefix("anaglyph-")
        return lambda left, right: anaglyph(left, right, glasses, method)
    freeview = parallel if name == "parallel" else crossed
    return lambda left, right: freeview(left, right, round(_GAP_SHARE * left.shape[1]))


def _save(path: Path, picture: NDArray[Any]) -> None:
    with replacing(path) as part:
        write_jpeg(part, picture, _QUALITY, srgb_profile())


def pair_as_seen(shoot: ShootFolder) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """The mounted pair in sRGB, 8 bit: what screens and prints show."""
    left, right = (as_seen(path) for path in (shoot.left, shoot.right))
    return left, right


def as_seen(path: Path) -> NDArray[np.uint8]:
    """A TIFF of a shoot in sRGB, 8 bit (H, W, 3)."""
    rgb = to_srgb(read_tiff(path), read_profile(path))
    if rgb.dtype == np.uint16:
        # 65535 / 255 = 257, rounded to the nearest code
        return np.asarray((rgb.astype(np.uint32) + 128) // 257, np.uint8)
    return np.asarray(rgb, np.uint8)
