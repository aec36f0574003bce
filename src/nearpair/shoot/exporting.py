"""The export stage: the finished forms of the mounted pair."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from nearpair.colour.evening import UNCHANGED
from nearpair.colour.glasses import Glasses
from nearpair.frames.metadata import FrameInfo
from nearpair.frames.profiles import read_profile, srgb_profile, to_srgb_codes
from nearpair.frames.read import Pixels
from nearpair.frames.write import read_tiff, write_jpeg
from nearpair.outputs.anaglyph import BY_COLOUR, METHODS, anaglyph
from nearpair.outputs.floating import masked
from nearpair.outputs.freeview import crossed, parallel
from nearpair.progress import Progress, silent
from nearpair.proof.model import Metric
from nearpair.shoot.atomic import replacing
from nearpair.shoot.decisions import Decisions
from nearpair.shoot.evening import Gains, evened
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.glassesfile import described, glasses_named
from nearpair.shoot.memo import Memo, key_of
from nearpair.shoot.mounting import Mounted
from nearpair.shoot.outlog import Output, Part, as_mounted, glasses_here, glasses_there, log, names_below

_QUALITY = 95
_MANY_PX = 4_000_000  # fewer are mixed by any method but cielab in a second or two
_SLOW = {"cielab"}  # half a minute at 24 MP: written only if it is the chosen method
GAP_SHARE = 0.02
"""The gap between pictures side by side, as a share of their width."""


@dataclass(frozen=True, slots=True)
class Ready:
    """A mounted pair, ready to be exported: what is known of it, and its left eye's reference frame."""

    mounted: Mounted
    decisions: Decisions
    metric: Metric | None
    frame: FrameInfo


class Exporter(Protocol):
    """What the export stage does."""

    def __call__(self, shoot: ShootFolder, memo: Memo, ready: Ready, progress: Progress) -> object:
        """Write outputs of the mounted pair."""


def export(shoot: ShootFolder, memo: Memo, ready: Ready, progress: Progress) -> dict[str, Path]:
    """Write the anaglyph by every quick method and the chosen one, and the pictures for free viewing.

    Returns their files by name.
    """
    colour = ready.decisions.colour
    glasses = glasses_named(colour.glasses)
    methods = [m for m in METHODS if m not in _SLOW or m == colour.method]
    files = {f"anaglyph-{method}": shoot.out(anaglyph_name(glasses.name, method)) for method in methods}
    files |= {name: shoot.out(f"{name}.jpg") for name in ("parallel", "crossed")}
    key = key_of(ready.mounted.key, described(colour.glasses), _QUALITY)
    if memo.recall("export", key, list(files.values())) is None:
        _write(shoot, ready, [(name, path, glasses) for name, path in files.items()], progress)
        memo.record("export", key, list(files.values()), b"done")
    told = [_told(shoot, memo, ready, name, path, colour.glasses) for name, path in files.items()]
    log(shoot, told)
    return files


def export_again(
    shoot: ShootFolder, memo: Memo, ready: Ready, older: Sequence[Output], progress: Progress
) -> list[Path]:
    """Write some of the outputs that every shoot has once more, for the glasses they were made for.

    Returns all files that were written. Raises NearpairError if a calibration file of glasses is gone.
    """
    usual = list(export(shoot, memo, ready, progress).values()) if older else []
    done = set(names_below(shoot, usual))
    left = [output for output in older if not done & set(output.files)]
    names = [glasses_here(shoot.root, output.glasses) for output in left]
    work = [
        (output.usual, shoot.out(output.files[0]), glasses_named(name))
        for output, name in zip(left, names, strict=True)
    ]
    if work:
        _write(shoot, ready, work, progress)
    told = [_told(shoot, memo, ready, n, path, name) for (n, path, _), name in zip(work, names, strict=True)]
    log(shoot, told)
    return usual + [path for _, path, _ in work]


def _write(
    shoot: ShootFolder, ready: Ready, work: Sequence[tuple[str, Path, Glasses]], progress: Progress
) -> None:
    """Write outputs by name to their files."""
    left, right = masked(*pair_as_seen(shoot), ready.mounted.mounting.floating_px)
    for done, (name, path, glasses) in enumerate(work):
        progress("writing the outputs", done, len(work))
        _save(path, _making(name, glasses, progress)(left, right))
    progress("writing the outputs", len(work), len(work))


def _told(shoot: ShootFolder, memo: Memo, ready: Ready, name: str, path: Path, glasses: str) -> Output:
    """From what an output is made."""
    now = as_mounted(shoot, memo, ready.decisions, ready.mounted)
    parts: list[Part] = ["pair", "program"]
    if not name.startswith("anaglyph-"):
        return Output(names_below(shoot, [path]), now.made_from(parts), usual=name)
    kept = glasses_there(shoot.root, glasses)
    made_from = now.made_from([*parts, "glasses"], kept)
    return Output(names_below(shoot, [path]), made_from, usual=name, glasses=kept)


def anaglyph_name(glasses: str, method: str) -> str:
    """Name of the anaglyph among the outputs."""
    return f"anaglyph-{glasses}-{method}.jpg"


def _making(name: str, glasses: Glasses, progress: Progress) -> Callable[[Pixels, Pixels], NDArray[Any]]:
    if name.startswith("anaglyph-"):
        method = name.removeprefix("anaglyph-")
        return lambda left, right: mixed(left, right, glasses, method, progress)
    freeview = parallel if name == "parallel" else crossed
    return lambda left, right: freeview(left, right, round(GAP_SHARE * left.shape[1]))


def mixed(left: Pixels, right: Pixels, glasses: Glasses, method: str, progress: Progress) -> Pixels:
    """An anaglyph, with progress from inside where that takes long."""
    is_slow = method in BY_COLOUR and left.shape[0] * left.shape[1] > _MANY_PX
    return np.asarray(anaglyph(left, right, glasses, method, progress if is_slow else silent))


def _save(path: Path, picture: NDArray[Any]) -> None:
    with replacing(path) as part:
        write_jpeg(part, picture, _QUALITY, srgb_profile())


def pair_as_seen(shoot: ShootFolder) -> tuple[NDArray[np.uint8], NDArray[np.uint8]]:
    """The mounted pair in sRGB, 8 bit: what screens and prints show."""
    left, right = (as_seen(path) for path in (shoot.left, shoot.right))
    return left, right


def as_seen(path: Path) -> NDArray[np.uint8]:
    """A TIFF of a shoot in sRGB, 8 bit (H, W, 3)."""
    return as_evened(path, UNCHANGED)


def as_evened(path: Path, gains: Gains) -> NDArray[np.uint8]:
    """A TIFF of a shoot in sRGB, 8 bit (H, W, 3), its linear light multiplied by these gains first."""
    profile = read_profile(path)
    return to_srgb_codes(evened(read_tiff(path), profile, gains), profile)
