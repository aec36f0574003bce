"""What both eyes agree on before they are merged: how well each frame of a pair fits each place.

Works on the small pictures that the survey has read, so no frame is decoded for it unless a run is resumed.
"""

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np

from nearpair.geometry.projective import Projective
from nearpair.pairs.agreed import Frames, Planes, agreed, planes_of, sharpest
from nearpair.pairs.disparity import match_rows
from nearpair.pairs.evidence import search_range
from nearpair.pairs.matches import match, spread_out
from nearpair.pairs.rectify import NotRectified, rectify
from nearpair.pixels.luma import reduced
from nearpair.pixels.moved import moved
from nearpair.progress import Counted, Progress
from nearpair.shoot.ahead import read_ahead
from nearpair.shoot.looking import Member
from nearpair.shoot.memo import key_of
from nearpair.shoot.reading import Reading
from nearpair.shoot.surveying import stack_key, survey_factor
from nearpair.stacks.registration import placed

# Depth is agreed on at about this size. It is not critical: on ray-traced scenes 500 px were as good as 750,
# but for 0.1 dB in one of three. Of so many samples in all: that bounds the memory of long stacks.
_LONG_SIDE_PX = 800
_MOST_SAMPLES = 16_000_000
_FEWEST_FRAMES = 5
_OFF_ROW_PX = 2.0
_FEATURES = 2000


class Agreement:
    """What the two stations of a pair agree on, worked out when it is first asked for."""

    def __init__(self, pair: tuple[Member, Member], reading: Reading, progress: Progress) -> None:
        self._pair, self._reading, self._progress = pair, reading, progress
        self._expected: tuple[Frames | None, Frames | None] | None = None

    def key(self) -> str:
        """Return a digest of all that it depends on."""
        return key_of(
            [
                [stack_key(m.station.frames), m.survey.used, m.survey.gains, m.found.kind, m.reference]
                for m in self._pair
            ],
            [[step.shift_px, step.ln_scale, step.roll_deg] for m in self._pair for step in m.survey.steps],
        )

    def expected(self, member: Member) -> Frames | None:
        """How well each used frame of a station of the pair fits, 255 for the best, (n, h, w).

        On the station's reference frame, which it covers. None where the eyes have nothing to agree on.
        """
        if self._expected is None:
            self._expected = _agreed_on(self._pair, self._reading, self._progress)
            self._reading.forget_small()
        return self._expected[0 if member is self._pair[0] else 1]


def _agreed_on(
    pair: tuple[Member, Member], reading: Reading, progress: Progress
) -> tuple[Frames | None, Frames | None]:
    counts = (len(pair[0].survey.used), len(pair[1].survey.used))
    if min(counts) < _FEWEST_FRAMES:
        return None, None
    seen = Counted(progress, "agreeing on depth: reading frames", sum(counts))
    lumas = [_small_lumas(member, reading, max(counts), seen) for member in pair]
    told = Counted(progress, "agreeing on depth", 3)
    places = [_placed(member, lumas[0].shape[1]) for member in pair]
    left, right = (_laid(*each) for each in zip(lumas, places, strict=True))
    told.one_more()
    found = _rows_and_planes(left, right)
    if found is None:
        told.all()
        return None, None
    rows, planes = found
    laid = _laid(lumas[1], [place.then(rows) for place in places[1]])
    del right, lumas
    told.one_more()
    with ThreadPoolExecutor(2) as pool:
        eyes = (left, laid, planes), (laid, left, planes.reversed(len(laid)))
        one, two = pool.map(lambda eye: agreed(*eye), eyes)
    told.all()
    return one, _laid(two, [rows.inverse()] * len(two))


def _small_lumas(member: Member, reading: Reading, most: int, told: Counted) -> Frames:
    """Small lumas of the used frames, brightness evened, (n, h, w)."""
    frames = [member.station.frames[k] for k in member.survey.used]
    factor = survey_factor(frames[0].size_px)
    height, width = (side // factor for side in frames[0].size_px)
    smaller = max(1, -(-max(height, width) // _LONG_SIDE_PX))
    while most * (height // smaller) * (width // smaller) > _MOST_SAMPLES:
        smaller += 1
    lumas = []
    planes = read_ahead(frames, lambda frame: reading.small(frame, factor))
    for plane, gain in zip(planes, member.survey.gains, strict=True):
        small = reduced(plane.astype(np.float32), smaller) / gain
        lumas.append(np.clip(np.rint(small), 0, 255).astype(np.uint8))
        told.one_more()
    return np.stack(lumas)


def _placed(member: Member, rows: int) -> list[Projective]:
    """Where the used frames lie on the reference frame, in px of pictures with so many rows."""
    survey = member.survey
    size = (survey.sharp.shape[0], survey.sharp.shape[1])
    small = placed(survey.steps, member.found.kind, member.reference, size)
    return [Projective.like(place.resampled(1 / (size[0] // rows))) for place in small]


def _laid(planes: Frames, places: Sequence[Projective]) -> Frames:
    """Each plane moved to its place."""
    size = (planes.shape[1], planes.shape[2])
    laid = [
        moved(plane, place.matrix(), size, cv2.INTER_LINEAR, cv2.BORDER_REPLICATE)
        for plane, place in zip(planes, places, strict=True)
    ]
    return np.asarray(np.stack(laid), np.uint8)


def _rows_and_planes(left: Frames, right: Frames) -> tuple[Projective, Planes] | None:
    """How the right eye lies on the left one's rows, and where each plane of focus is; None if not clear."""
    one, two = sharpest(left), sharpest(right)
    found = match(one.luma, two.luma, _FEATURES)
    size = (left.shape[1], left.shape[2])
    rows = rectify(spread_out(found, size), size)
    if isinstance(rows, NotRectified):
        return None
    points = rows.second_to_first.apply(found.second)
    good = np.abs(points[:, 1] - found.first[:, 1]) < _OFF_ROW_PX
    second = two.laid(rows.second_to_first)
    lowest, highest = search_range(one.luma, second.luma, (found.first - points)[good, 0])
    disparity = match_rows(one.luma, second.luma, lowest, highest).px
    planes = planes_of(one, second, disparity, (len(left), len(right)))
    return None if planes is None else (rows.second_to_first, planes)
