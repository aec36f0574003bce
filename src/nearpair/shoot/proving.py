"""The proof stage: proof.json, proof.html and proof.pdf from the mounted pair."""

from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

from nearpair.frames.write import read_tiff, write_jpeg
from nearpair.outputs.anaglyph import anaglyph
from nearpair.progress import Counted, Progress
from nearpair.proof.assemble import MEASURES, Inputs, assemble
from nearpair.proof.model import (
    Eyes,
    Metric,
    Mounting,
    Proof,
    SetAside,
    Station,
    decode,
    encode,
)
from nearpair.proof.model_advice import Fixed
from nearpair.proof.model_capture import LocalShifts
from nearpair.proof.model_pairs import Candidate, NextBase
from nearpair.proof.model_retouch import Retouched
from nearpair.proof.pictures import depth_picture, from_above, thumbnail
from nearpair.proof.report import render
from nearpair.proof.report_pdf import pdf
from nearpair.proof.scalebar import drawn, scale_bar
from nearpair.proof.where import Pair, where
from nearpair.shoot.atomic import replacing, write_whole
from nearpair.shoot.decisions import Decisions
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.glassesfile import described
from nearpair.shoot.memo import Memo, key_of
from nearpair.shoot.shown import MountedPair

_REPORT_PX = 1400
_REPORT_QUALITY = 88


class Subject(msgspec.Struct, frozen=True):
    """What is to be proofed: the mounted pair (by the digest of its making) and how it came about."""

    mount_key: str
    mounting: Mounting
    stations: list[Station]
    eyes: Eyes
    set_aside: list[SetAside]
    notes: list[str]
    metric: Metric | None = None
    candidates: list[Candidate] = []
    next_base: NextBase | None = None
    fixed: Fixed | None = None
    local: LocalShifts | None = None
    retouches: list[Retouched] = []
    dust: list[tuple[int, int]] = []


def _key(decisions: Decisions, subject: Subject) -> str:
    return key_of(decisions.viewing, decisions.colour, described(decisions.colour.glasses), subject)


def drop_stale_proof(shoot: ShootFolder, memo: Memo, decisions: Decisions, subject: Subject) -> None:
    """Remove a proof that speaks of another mounting than the one that is now in the folder."""
    outputs = [shoot.proof_json, shoot.proof_html, shoot.proof_pdf]
    if memo.recall("proof", _key(decisions, subject), outputs) is None:
        for path in outputs:
            path.unlink(missing_ok=True)


def _fixed_key(decisions: Decisions, eyes: Eyes, mounting: Mounting) -> str:
    made = (eyes.left, eyes.right, mounting.crop_px, mounting.floating_px)
    return key_of(decisions.mounting, decisions.viewing, decisions.colour, made)


def record_fixed(
    shoot: ShootFolder, memo: Memo, decisions: Decisions, proof: Proof, fixed: Fixed, before: bytes
) -> None:
    """Remember what --fix did, and the picture (JPEG) before it, as long as these decisions stand."""
    write_whole(shoot.before_fix, before)
    key = _fixed_key(decisions, proof.eyes, proof.mounting)
    memo.record("fix", key, [shoot.before_fix], msgspec.json.encode(fixed))


def recall_fixed(
    shoot: ShootFolder, memo: Memo, decisions: Decisions, eyes: Eyes, mounting: Mounting
) -> Fixed | None:
    """What --fix did to come to these decisions, if it did."""
    found = memo.recall("fix", _fixed_key(decisions, eyes, mounting), [shoot.before_fix])
    return None if found is None else msgspec.json.decode(found, type=Fixed)


def as_shown(shoot: ShootFolder, decisions: Decisions, mounting: Mounting) -> bytes:
    """The anaglyph as it is published now, as a small JPEG file."""
    shown = MountedPair(shoot, mounting.floating_px, decisions.colour)
    return _jpeg_bytes(shoot, thumbnail(shown.anaglyph(shown.glasses, shown.method), _REPORT_PX))


def prove(
    shoot: ShootFolder,
    memo: Memo,
    decisions: Decisions,
    subject: Subject,
    shown: MountedPair,
    progress: Progress,
) -> Proof:
    """Measure the mounted pair; write its proof in all forms, unless the same was done before."""
    key = _key(decisions, subject)
    outputs = [shoot.proof_json, shoot.proof_html, shoot.proof_pdf]
    if memo.recall("proof", key, outputs) is not None:
        return decode(shoot.proof_json.read_bytes())
    told = Counted(progress, "proofing", 4 + MEASURES)
    inputs = _inputs(shoot, decisions, subject, shown, progress)
    told.one_more()
    proof = assemble(inputs, told.one_more)
    pictures, places = _pictures(shoot, inputs, shown, proof), _places(shoot, inputs, proof)
    told.one_more()
    write_whole(shoot.proof_html, render(proof, pictures, places).encode())
    write_whole(shoot.proof_pdf, pdf(proof, pictures, places))
    told.one_more()
    written = encode(proof)
    write_whole(shoot.proof_json, written)
    memo.record("proof", key, outputs, b"done")
    told.one_more()
    return decode(written)


def _inputs(
    shoot: ShootFolder, decisions: Decisions, subject: Subject, shown: MountedPair, progress: Progress
) -> Inputs:
    def mixing(what: str, done: int, total: int) -> None:
        progress(f"proofing: {what}", done, total)

    left, right = shown.pair()
    glasses, method = shown.glasses, shown.method
    return Inputs(
        left=left,
        right=right,
        anaglyph=shown.bare_anaglyph(mixing),
        parallax=read_tiff(shoot.parallax),
        viewing=decisions.viewing.seen(),
        glasses=glasses,
        method=method,
        stations=subject.stations,
        eyes=subject.eyes,
        mounting=subject.mounting,
        set_aside=subject.set_aside,
        notes=subject.notes,
        metric=subject.metric,
        candidates=subject.candidates,
        next_base=subject.next_base,
        fixed=subject.fixed,
        local=subject.local,
        retouches=subject.retouches,
        dust=subject.dust,
        mix=lambda one, other: anaglyph(one, other, glasses, method),
    )


def _pictures(shoot: ShootFolder, inputs: Inputs, shown: MountedPair, proof: Proof) -> dict[str, bytes]:
    step = max(1, -(-max(inputs.parallax.shape) // _REPORT_PX))
    near, far = proof.depth.near_px, proof.depth.far_px
    # measured is what lies behind the masks, shown what is published
    left, right = shown.published()
    pictures = {
        "anaglyph": thumbnail(shown.anaglyph(shown.glasses, shown.method), _REPORT_PX),
        "left": thumbnail(left, _REPORT_PX // 2),
        "right": thumbnail(right, _REPORT_PX // 2),
    }
    if near is not None and far is not None:
        small = inputs.parallax[::step, ::step]
        pictures["depth"] = depth_picture(small, near, far)
        pictures["above"] = _from_above(small, proof, near, far)
    bar = scale_bar(proof)
    if bar is not None:
        pictures |= {name: drawn(pictures[name], bar) for name in ("anaglyph", "left", "right")}
    files = {name: _jpeg_bytes(shoot, picture) for name, picture in pictures.items()}
    return files if proof.fixed is None else {**files, "before": shoot.before_fix.read_bytes()}


def _from_above(
    parallax: NDArray[np.float32], proof: Proof, near_px: float, far_px: float
) -> NDArray[np.uint8]:
    limit = proof.comfort.limits["one-degree"]
    per_mm = proof.picture.width_px / proof.comfort.viewing.screen_width_mm
    ends = [mm * per_mm for mm in (limit.near_mm, limit.far_mm) if mm is not None]
    room = 0.15 * max(far_px - near_px, 1.0)
    return from_above(parallax, min(near_px, 0.0) - room, max(far_px, 0.0) + room, [0.0, *ends])


def _places(shoot: ShootFolder, inputs: Inputs, proof: Proof) -> dict[str, tuple[bytes, str]]:
    """Pictures of where, by the codes of the findings, with their captions."""
    views = inputs.left, inputs.right, inputs.anaglyph
    pair = Pair(*views, inputs.parallax, inputs.glasses, inputs.mix)
    found = where(pair, proof)
    return {code: (_jpeg_bytes(shoot, place.picture), place.caption) for code, place in found.items()}


def _jpeg_bytes(shoot: ShootFolder, picture: NDArray[Any]) -> bytes:
    """A small JPEG in memory, by way of the shoot's cache."""
    path = shoot.cache / "report-picture.jpg"
    with replacing(path) as part:
        write_jpeg(part, picture, _REPORT_QUALITY, None, subsampling="4:2:0")
    data = path.read_bytes()
    path.unlink()
    return data
