"""The contact sheet of a shoot: all pairs its stations can make, small, best first, the chosen marked."""

from collections.abc import Sequence

import numpy as np

from nearpair.frames.profiles import srgb_profile
from nearpair.frames.write import write_jpeg
from nearpair.outputs.anaglyph import anaglyph
from nearpair.outputs.contact import Tile, contact_sheet
from nearpair.progress import Progress
from nearpair.proof.model_pairs import Candidate
from nearpair.proof.phrases import percent
from nearpair.shoot.atomic import replacing
from nearpair.shoot.decisions import Decisions
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.glassesfile import described, glasses_named
from nearpair.shoot.judging import picture_of
from nearpair.shoot.memo import Memo, key_of
from nearpair.shoot.pairing import Ranked

SHEET = "candidates.jpg"
MOST_SHOWN = 24
_QUALITY = 90


def write_sheet(
    shoot: ShootFolder,
    memo: Memo,
    ranked: Ranked,
    candidates: Sequence[Candidate],
    decisions: Decisions,
    progress: Progress,
) -> None:
    """Write the contact sheet, unless the same was done before."""
    output = shoot.out(SHEET)
    whole = key_of(
        ranked.pairs.key,
        candidates,
        decisions.mounting,
        decisions.viewing,
        described(decisions.colour.glasses),
    )
    if memo.recall("contact sheet", whole, [output]) is not None:
        return
    progress("drawing the contact sheet", 0, 1)
    tiles = [
        _tile(ranked, number, candidate, decisions)
        for number, candidate in enumerate(candidates)
        if number < MOST_SHOWN or candidate.chosen
    ]
    seen = decisions.viewing
    glasses = glasses_named(decisions.colour.glasses)
    heading = (
        f"Pairs of this shoot, the best first, for a picture {seen.screen_width_mm:g} mm wide seen from "
        f"{seen.distance_mm:g} mm through {glasses.name} glasses. Drawn from small pictures, in "
        "grey; the chosen pair has a frame."
    )
    with replacing(output) as part:
        write_jpeg(part, contact_sheet(heading, tiles), _QUALITY, srgb_profile())
    memo.record("contact sheet", whole, [output], b"done")
    progress("drawing the contact sheet", 1, 1)


def _tile(ranked: Ranked, number: int, candidate: Candidate, decisions: Decisions) -> Tile:
    pair = picture_of(ranked.pairs, ranked.judged[number])
    glasses = glasses_named(decisions.colour.glasses)
    picture = None if pair is None else np.asarray(anaglyph(*pair, glasses, "grey"), np.uint8)
    title = f"{candidate.left} + {candidate.right}{': the chosen pair' if candidate.chosen else ''}"
    return Tile(picture, title, (_said(candidate), _figures(candidate)), candidate.chosen)


def _said(candidate: Candidate) -> str:
    if candidate.used_share is None or candidate.verdict == "few frames":
        return f"{candidate.verdict}: {candidate.reason.partition('; ')[0]}"
    return f"{candidate.verdict}, {percent(candidate.used_share)} of the comfortable depth"


def _figures(candidate: Candidate) -> str:
    parts = []
    if candidate.base_share is not None:
        parts.append(f"base {candidate.base_share:.2f} of the widest")
    if candidate.near_arcmin is not None and candidate.far_arcmin is not None:
        parts.append(f"{candidate.near_arcmin:+.0f} to {candidate.far_arcmin:+.0f} arcmin")
    if candidate.relief is not None:
        parts.append(f"relief {candidate.relief:.0f}")
    return ", ".join(parts)
