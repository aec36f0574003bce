"""The export stage: the finished forms of the mounted pair."""

from collections.abc import Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from numpy.typing import NDArray

from nearpair.colour.glasses import Glasses
from nearpair.frames.metadata import FrameInfo
from nearpair.frames.profiles import srgb_profile
from nearpair.frames.write import write_jpeg
from nearpair.outputs.anaglyph import METHODS
from nearpair.outputs.freeview import crossed, parallel
from nearpair.progress import Progress
from nearpair.proof.model import Metric
from nearpair.shoot.atomic import replacing
from nearpair.shoot.decisions import Decisions
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.glassesfile import described, glasses_named
from nearpair.shoot.memo import Memo, key_of
from nearpair.shoot.mounting import Mounted
from nearpair.shoot.outlog import (
    Now,
    Output,
    Part,
    as_mounted,
    glasses_here,
    glasses_there,
    log,
    logged,
    names_below,
)
from nearpair.shoot.shown import MountedPair

_QUALITY = 95
_SLOW = {"cielab"}  # half a minute at 24 MP: written only if it is the chosen method
_WIDE = {"parallel": parallel, "crossed": crossed}
GAP_SHARE = 0.02
"""The gap between pictures side by side, as a share of their width."""


@dataclass(frozen=True, slots=True)
class Ready:
    """A mounted pair, ready to be exported: what is known of it, and its left eye's reference frame."""

    mounted: Mounted
    decisions: Decisions
    metric: Metric | None
    frame: FrameInfo
    shown: MountedPair


class Exporter(Protocol):
    """What the export stage does."""

    def __call__(self, shoot: ShootFolder, memo: Memo, ready: Ready, progress: Progress) -> object:
        """Write outputs of the mounted pair."""


def export(shoot: ShootFolder, memo: Memo, ready: Ready, progress: Progress) -> dict[str, Path]:
    """Write the anaglyph by every quick method and the chosen one, and the pictures for free viewing.

    Returns their files by name.
    """
    logged(shoot)  # that of a newer nearpair is refused before anything is written
    colour = ready.decisions.colour
    glasses = ready.shown.glasses
    methods = [m for m in METHODS if m not in _SLOW or m == colour.method]
    files = {f"anaglyph-{method}": shoot.out(anaglyph_name(glasses.name, method)) for method in methods}
    files |= {name: shoot.out(f"{name}.jpg") for name in _WIDE}
    key = key_of(ready.mounted.key, described(colour.glasses), _QUALITY)
    if memo.recall("export", key, list(files.values())) is None:
        _write(ready, [(name, path, glasses) for name, path in files.items()], progress)
        memo.record("export", key, list(files.values()), b"done")
    now = as_mounted(shoot, memo, ready.decisions, ready.mounted)
    log(shoot, [_told(shoot, now, name, path, colour.glasses) for name, path in files.items()])
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
        _write(ready, work, progress)
    now = as_mounted(shoot, memo, ready.decisions, ready.mounted)
    log(shoot, [_told(shoot, now, n, path, name) for (n, path, _), name in zip(work, names, strict=True)])
    return usual + [path for _, path, _ in work]


def _write(ready: Ready, work: Sequence[tuple[str, Path, Glasses]], progress: Progress) -> None:
    """Write outputs by name to their files; while one is written, the next one is made."""
    with ThreadPoolExecutor(1) as beside:
        saving: Future[None] = beside.submit(lambda: None)
        for done, (name, path, glasses) in enumerate(work):
            progress("writing the outputs", done, len(work))
            if name in _WIDE:  # two of these at once would take much memory
                saving.result()
            picture = _made(name, ready.shown, glasses, progress)
            saving.result()
            saving = beside.submit(_save, path, picture)
            del picture
        saving.result()
    progress("writing the outputs", len(work), len(work))


def _told(shoot: ShootFolder, now: Now, name: str, path: Path, glasses: str) -> Output:
    """From what an output is made."""
    parts: list[Part] = ["pair", "program"]
    if not name.startswith("anaglyph-"):
        return Output(names_below(shoot, [path]), now.made_from(parts), usual=name)
    kept = glasses_there(shoot.root, glasses)
    made_from = now.made_from([*parts, "glasses"], kept)
    return Output(names_below(shoot, [path]), made_from, usual=name, glasses=kept)


def anaglyph_name(glasses: str, method: str) -> str:
    """Name of the anaglyph among the outputs."""
    return f"anaglyph-{glasses}-{method}.jpg"


def _made(name: str, shown: MountedPair, glasses: Glasses, progress: Progress) -> NDArray[Any]:
    if name.startswith("anaglyph-"):
        return shown.anaglyph(glasses, name.removeprefix("anaglyph-"), progress)
    left, right = shown.published()
    return _WIDE[name](left, right, round(GAP_SHARE * left.shape[1]))


def _save(path: Path, picture: NDArray[Any]) -> None:
    with replacing(path) as part:
        write_jpeg(part, picture, _QUALITY, srgb_profile())
