"""The export and proof stages: outputs, proof.json and proof.html from the mounted pair."""

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
from nearpair.optics.viewing import Viewing
from nearpair.outputs.anaglyph import METHODS, anaglyph
from nearpair.outputs.freeview import crossed, parallel
from nearpair.progress import Progress
from nearpair.proof.assemble import Inputs, assemble
from nearpair.proof.model import Eyes, Mounting, Proof, SetAside, Station, decode, encode
from nearpair.proof.pictures import depth_picture, thumbnail
from nearpair.proof.report import render
from nearpair.shoot.atomic import replacing, write_whole
from nearpair.shoot.decisions import Decisions
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.memo import Memo, key_of

_QUALITY = 95
_REPORT_PX = 1400
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
    shoot: ShootFolder, memo: Memo, mount_key: str, decisions: Decisions, progress: Progress
) -> dict[str, Path]:
    """Write the anaglyph by every method and the pictures for free viewing; returns their files by name."""
    glasses = glasses_named(decisions.colour.glasses)
    files = {
        f"anaglyph-{method}": shoot.out(_anaglyph_name(glasses, method)) for method in methods_for(glasses)
    }
    files |= {name: shoot.out(f"{name}.jpg") for name in ("parallel", "crossed")}
    key = key_of(mount_key, decisions.colour.glasses, _QUALITY)
    if memo.recall("export", key, list(files.values())) is not None:
        return files
    left, right = pair_as_seen(shoot)
    for done, (name, path) in enumerate(files.items()):
        progress("writing the outputs", done, len(files))
        _save(path, _making(name, glasses)(left, right))
    progress("writing the outputs", len(files), len(files))
    memo.record("export", key, list(files.values()), b"done")
    return files


def _anaglyph_name(glasses: Glasses, method: str) -> str:
    return f"anaglyph-{glasses.name}-{method}.jpg"


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
    left, right = (_as_seen(path) for path in (shoot.left, shoot.right))
    return left, right


def _as_seen(path: Path) -> NDArray[np.uint8]:
    rgb = to_srgb(read_tiff(path), read_profile(path))
    if rgb.dtype == np.uint16:
        # 65535 / 255 = 257, rounded to the nearest code
        return np.asarray((rgb.astype(np.uint32) + 128) // 257, np.uint8)
    return np.asarray(rgb, np.uint8)


def prove(
    shoot: ShootFolder,
    memo: Memo,
    decisions: Decisions,
    stations: list[Station],
    eyes: Eyes,
    mounting: tuple[str, Mounting],
    set_aside: list[SetAside],
    notes: list[str],
    progress: Progress,
) -> Proof:
    """Measure the mounted pair; write proof.json and proof.html, unless the same was done before."""
    key = key_of(mounting[0], decisions.viewing, decisions.colour, stations, eyes, set_aside, notes)
    outputs = [shoot.proof_json, shoot.proof_html]
    if memo.recall("proof", key, outputs) is not None:
        return decode(shoot.proof_json.read_bytes())
    progress("proofing", 0, 3)
    left, right = pair_as_seen(shoot)
    glasses = glasses_named(decisions.colour.glasses)
    merged = np.asarray(anaglyph(left, right, glasses, decisions.colour.method), np.uint8)
    viewing = decisions.viewing
    inputs = Inputs(
        left=left,
        right=right,
        anaglyph=merged,
        parallax=read_tiff(shoot.parallax),
        viewing=Viewing(viewing.screen_width_mm, viewing.distance_mm, viewing.eyes_mm),
        glasses=glasses,
        method=decisions.colour.method,
        stations=stations,
        eyes=eyes,
        mounting=mounting[1],
        set_aside=set_aside,
        notes=notes,
    )
    proof = assemble(inputs)
    progress("proofing", 1, 3)
    write_whole(shoot.proof_html, render(proof, _pictures(shoot, inputs, proof)).encode())
    progress("proofing", 2, 3)
    write_whole(shoot.proof_json, encode(proof))
    memo.record("proof", key, outputs, b"done")
    progress("proofing", 3, 3)
    return decode(encode(proof))


def _pictures(shoot: ShootFolder, inputs: Inputs, proof: Proof) -> dict[str, bytes]:
    step = max(1, -(-max(inputs.parallax.shape) // _REPORT_PX))
    near, far = proof.depth.near_px, proof.depth.far_px
    pictures = {
        "anaglyph": thumbnail(inputs.anaglyph, _REPORT_PX),
        "left": thumbnail(inputs.left, _REPORT_PX // 2),
        "right": thumbnail(inputs.right, _REPORT_PX // 2),
    }
    if near is not None and far is not None:
        pictures["depth"] = depth_picture(inputs.parallax[::step, ::step], near, far)
    return {name: _jpeg_bytes(shoot, picture) for name, picture in pictures.items()}


def _jpeg_bytes(shoot: ShootFolder, picture: NDArray[Any]) -> bytes:
    """A small JPEG in memory, by way of the shoot's cache."""
    path = shoot.cache / "report-picture.jpg"
    with replacing(path) as part:
        write_jpeg(part, picture, 88, None, subsampling="4:2:0")
    data = path.read_bytes()
    path.unlink()
    return data
