"""Part of the proof as data: the pairs that a shoot of several stations could have made."""

from typing import Literal

import msgspec

CandidateVerdict = Literal[
    "comfortable", "little depth", "deep", "too deep", "few frames", "not measured", "not comparable"
]


class Candidate(msgspec.Struct, frozen=True, kw_only=True):
    """A pair that the stations of a shoot can make, measured on small pictures before anything is merged.

    `base_share`: stereo base against the widest one of the shoot. `near_arcmin`, `far_arcmin`: as the viewer
    meets them, mounted by the shoot's own rules. `used_share`: depth against what is comfortable from near to
    far. `relief`: 0 to 100, see `proof.depth`. `reason`: the verdict in words.
    """

    left: str
    right: str
    base_share: float | None = None
    base_mm: float | None = None
    near_arcmin: float | None = None
    far_arcmin: float | None = None
    range_arcmin: float | None = None
    used_share: float | None = None
    relief: float | None = None
    verdict: CandidateVerdict
    reason: str
    chosen: bool = False


class NextBase(msgspec.Struct, frozen=True, kw_only=True):
    """Stereo bases for next time, as multiples of the chosen pair's, for these viewing conditions.

    `enough`: gives a third of the comfortable depth, `fills`: just all of it; `of_widest`, `of_narrowest`:
    the latter against the widest and the narrowest base of the shoot. In mm where the chosen base is known.
    """

    enough: float
    fills: float
    of_widest: float
    of_narrowest: float
    enough_mm: float | None = None
    fills_mm: float | None = None
