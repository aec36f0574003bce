"""All pairs of a shoot, small, kept for a page on which one of them is chosen."""

from collections.abc import Sequence
from zipfile import BadZipFile

import msgspec
import numpy as np
from numpy.typing import NDArray

from nearpair.colour.glasses import Glasses
from nearpair.outputs.anaglyph import anaglyph
from nearpair.proof.model_pairs import Candidate
from nearpair.shoot.atomic import replacing
from nearpair.shoot.contactsheet import MOST_SHOWN
from nearpair.shoot.decisions import Decisions
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.judging import picture_of
from nearpair.shoot.memo import Memo, key_of
from nearpair.shoot.pairing import Ranked

_TOLD = "told"
_STAGE = "pairs"


def keep_pairs(
    shoot: ShootFolder, memo: Memo, ranked: Ranked, candidates: Sequence[Candidate], decisions: Decisions
) -> None:
    """Keep the pairs, the best first, unless the same was done before."""
    key = key_of(ranked.pairs.key, candidates, decisions.mounting, decisions.viewing)
    if memo.recall(_STAGE, key, [shoot.pairs]) is not None:
        return
    shown = list(candidates)[:MOST_SHOWN]
    kept = {_TOLD: np.frombuffer(msgspec.json.encode(shown), np.uint8)}
    for number in range(len(shown)):
        pair = picture_of(ranked.pairs, ranked.judged[number])
        if pair is not None:
            kept[str(number)] = np.stack([eye[..., 0] for eye in pair])
    with replacing(shoot.pairs) as part, part.open("wb") as file:
        np.savez(file, **kept)  # type: ignore[arg-type]
    memo.record(_STAGE, key, [shoot.pairs], b"done")


def kept_pairs(shoot: ShootFolder) -> list[Candidate]:
    """What was measured of the pairs, the best first; none where they were not kept."""
    found = _read(shoot, _TOLD)
    if found is None:
        return []
    try:
        return msgspec.json.decode(found.tobytes(), type=list[Candidate])
    except msgspec.DecodeError:
        return []


def pair_picture(shoot: ShootFolder, number: int, glasses: Glasses) -> NDArray[np.uint8] | None:
    """A pair of `kept_pairs` as a grey anaglyph (h, w, 3); None if it could not be mounted."""
    found = _read(shoot, str(number))
    if found is None:
        return None
    left, right = (np.repeat(eye[..., None], 3, axis=2) for eye in found)
    return np.asarray(anaglyph(left, right, glasses, "grey"), np.uint8)


def _read(shoot: ShootFolder, name: str) -> NDArray[np.uint8] | None:
    try:
        with shoot.pairs.open("rb") as file, np.load(file, allow_pickle=False) as kept:
            return np.asarray(kept[name], np.uint8) if name in kept else None
    except (OSError, ValueError, KeyError, EOFError, BadZipFile):
        return None
