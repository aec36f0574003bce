"""The merge stage: the frames of one station become a view and a focus map on disk."""

from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import msgspec
import numpy as np
from numpy.typing import NDArray

from nearpair.frames.metadata import FrameInfo
from nearpair.frames.profiles import read_profile
from nearpair.frames.read import has_halved_chroma
from nearpair.frames.write import write_float_tiff, write_tiff
from nearpair.geometry.transforms import Similarity
from nearpair.pairs.agreed import Frames as Expected
from nearpair.pairs.mounting import covered
from nearpair.pixels.detail import BLOCK_PX, codes_of
from nearpair.pixels.luma import Plane, luma, reduced
from nearpair.pixels.planes import Planes
from nearpair.progress import Counted, Progress
from nearpair.proof.model import DepthOfField, Focus, FocusGap
from nearpair.shoot.agreeing import Agreement
from nearpair.shoot.ahead import all_cores_taken, read_ahead
from nearpair.shoot.atomic import replacing
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.looking import Member
from nearpair.shoot.memo import Memo, key_of
from nearpair.shoot.reading import Reading
from nearpair.shoot.surveying import match_factor, stack_key, survey_factor
from nearpair.stacks.gaps import missing_slices
from nearpair.stacks.registration import Step, placed, wide_steps
from nearpair.views.merge import Merger, View, only
from nearpair.views.responses import Coverage, coverage
from nearpair.views.single import unsharp_fraction
from nearpair.views.worth import Seen, Worth, Worths

Codes = NDArray[np.uint8]

SHARPNESS_PX = 2 * BLOCK_PX
"""Side of the squares of the view for which the sharpness of every frame is kept."""

# An end of the stack is reported when more of the picture than this would be sharper beyond it. Complete
# ray-traced stacks: at most 0.2 % at full size, 3 % when small and wide in focus; six frames short at an end
# with subject: 6 to 13 %.
_END_SHARE = 0.03
_ROWS_AT_ONCE = 256


class Merged(msgspec.Struct, frozen=True):
    """What merging found, and the digest that stands for the view."""

    key: str
    size_px: tuple[int, int]
    covered_px: tuple[float, float, float, float]
    focus: Focus
    depth_of_field: DepthOfField | None
    retouched: bool = False
    """Whether its files are those with retouches."""


def merge_station(
    shoot: ShootFolder,
    memo: Memo,
    reading: Reading,
    member: Member,
    agreement: Agreement,
    progress: Progress,
) -> Merged:
    """Merge the frames of one station of a pair, unless the same was done before."""
    name = member.station.name
    transforms = places_of(member)
    settings = [[t.a, t.b, t.shift_x_px, t.shift_y_px] for t in transforms]
    key = key_of(
        stack_key(member.station.frames), member.survey.used, settings, member.survey.gains, agreement.key()
    )
    outputs = _outputs(shoot, name)
    recalled = memo.recall(f"merge {name}", key, outputs)
    if recalled is not None:
        return msgspec.json.decode(recalled, type=Merged)
    sharpness: list[Codes] = []
    view, found = _merge(member, transforms, agreement, reading, progress, sharpness)
    reference = member.station.frames[member.survey.used[member.reference]]
    with replacing(outputs[0]) as part:
        write_tiff(part, view.rgb, read_profile(reference.path), reference)
    with replacing(outputs[1]) as part:
        write_float_tiff(part, _in_shooting_order(view.focus, member.survey.used))
    with replacing(outputs[2]) as part, part.open("wb") as file:
        np.save(file, np.stack(sharpness) if sharpness else np.zeros((0, 0, 0), np.uint8))
    result = _result(key, member, transforms, view, found)
    memo.record(f"merge {name}", key, outputs, msgspec.json.encode(result))
    return result


def merged_last(shoot: ShootFolder, memo: Memo, station: str) -> Merged | None:
    """What merging a station found last, if its files still are as it left them."""
    found = memo.latest(f"merge {station}", _outputs(shoot, station))
    return None if found is None else msgspec.json.decode(found, type=Merged)


def _outputs(shoot: ShootFolder, name: str) -> list[Path]:
    return [shoot.view(name), shoot.focus(name), shoot.sharpness(name)]


def places_of(member: Member) -> tuple[Similarity, ...]:
    """Maps of every used frame onto the reference frame, in px of the full frames."""
    survey = member.survey
    size = (survey.sharp.shape[0], survey.sharp.shape[1])
    factor = survey_factor(member.station.frames[0].size_px)
    small = placed(survey.steps, member.found.kind, member.reference, size)
    return tuple(t.resampled(factor) for t in small)


def _merge(
    member: Member,
    transforms: tuple[Similarity, ...],
    agreement: Agreement,
    reading: Reading,
    progress: Progress,
    sharpness: list[Codes],
) -> tuple[View, Coverage]:
    frames = [member.station.frames[k] for k in member.survey.used]
    if len(frames) == 1:
        return only(reading.pixels(frames[0])), Coverage(0.0, (), 0.0, 0.0)
    placed_frames = Placed(
        frames, transforms, member.survey.gains, member.reference, agreement.expected(member)
    )
    return merge_frames(f"{member.station.name}: ", placed_frames, reading, progress, sharpness)


@dataclass(frozen=True, slots=True)
class Placed:
    """The frames of one stack, registered on frame number `reference`, and how bright each is.

    expected: how well each should fit each place of the view, (n, h, w), or None.
    """

    frames: Sequence[FrameInfo]
    transforms: Sequence[Similarity]
    gains: Sequence[float]
    reference: int
    expected: Expected | None = None

    def fit(self, number: int) -> Expected | None:
        """How well frame `number` should fit."""
        return None if self.expected is None else self.expected[number]


@all_cores_taken()
def merge_frames(
    whose: str,
    stack: Placed,
    reading: Reading,
    progress: Progress,
    sharpness: list[Codes] | None = None,
) -> tuple[View, Coverage]:
    """Merge the frames of one stack; `whose` is said before what is being done. Also: what the stack covers.

    sharpness: gets, of each frame, how sharp it shows each 16 x 16 px of the view (codes, see `codes_of`).
    """
    frames, count = stack.frames, len(stack.frames)
    told = Counted(progress, f"{whose}judging what is sharp", count)  # all, before the first is merged
    worths = Worths(frames[0].size_px, stack.transforms, stack.reference)

    def seen(number: int) -> tuple[Seen, bool]:
        found = worths.seen(number, reading.detail(frames[number]), stack.fit(number))
        return found, has_halved_chroma(frames[number])

    def ready(number: int) -> tuple[Planes, Worth]:
        worth = worths.of(number, reading.detail(frames[number]), stack.fit(number))
        return reading.planes(frames[number]), worth

    halved = True
    for found, also_halved in read_ahead(range(count), seen):
        worths.note(found)
        if sharpness is not None:
            sharpness.append(_kept(found.as_it_is))
        halved = halved and also_halved
        told.one_more()
    told = Counted(progress, f"{whose}merging", count)
    merger = Merger(
        frames[0].size_px, bits=frames[0].bits, chroma_halved=halved, memory=reading.spare_memory()
    )
    with ThreadPoolExecutor(1) as beside:
        responses = beside.submit(worths.responses)
        for number, (planes, worth) in enumerate(read_ahead(range(count), ready)):
            transform, gain = stack.transforms[number], stack.gains[number]
            merger.add(planes, transform, gain, worth=worth, expected=stack.fit(number))
            told.one_more()
        view = merger.finish()
        return view, coverage(view.focus, responses.result(), count)


def _kept(energies: Plane) -> Codes:
    """Energies of blocks of the view as they are kept: means of four, in codes."""
    size = tuple(-(-side // 2) for side in energies.shape)
    whole: Any = cv2.copyMakeBorder(
        energies, 0, 2 * size[0] - energies.shape[0], 0, 2 * size[1] - energies.shape[1], cv2.BORDER_REPLICATE
    )
    return codes_of(reduced(np.asarray(whole, np.float32), 2))


def _in_shooting_order(focus: Plane, used: tuple[int, ...]) -> Plane:
    """Numbers among the used frames become numbers in shooting order, within the stack."""
    out = np.empty_like(focus)
    for rows in _strips(focus):
        out[rows] = np.interp(focus[rows], np.arange(len(used)), used)
    return out


def _strips(plane: Plane) -> Iterator[slice]:
    """Rows that are worked on at once: numbers in double precision of all of them take much memory."""
    return (slice(top, top + _ROWS_AT_ONCE) for top in range(0, len(plane), _ROWS_AT_ONCE))


def _result(
    key: str, member: Member, transforms: tuple[Similarity, ...], view: View, found: Coverage
) -> Merged:
    frames = member.station.frames
    size = frames[0].size_px
    rectangle = covered(np.stack([t.matrix() for t in transforms]), size)
    used = member.survey.used
    single = None
    if len(used) < 3:
        small = reduced(luma(view.rgb), match_factor(size))
        single = DepthOfField(unsharp_fraction=unsharp_fraction(small))
        sharp = 1.0 - (single.unsharp_fraction or 0.0)
        return Merged(key, size, rectangle, Focus(covered_fraction=sharp), single)
    return Merged(key, size, rectangle, _focus(found, view.focus, used, member.survey.steps), single)


def _focus(found: Coverage, focus: Plane, used: tuple[int, ...], steps: Sequence[Step]) -> Focus:
    counted = np.zeros(len(used), np.int64)
    for rows in _strips(focus):
        known = focus[rows][np.isfinite(focus[rows])]
        nearest = np.clip(np.rint(known), 0, len(used) - 1).astype(np.int64)
        counted += np.bincount(nearest, minlength=len(used))
    share = np.zeros(used[-1] + 1)
    share[list(used)] = counted / max(1, counted.sum())
    gaps = [
        FocusGap(after_frame=used[s.after_frame], width_steps=s.width_steps, unsharp_fraction=s.share)
        for s in missing_slices(found.gaps, wide_steps(steps), share[list(used)], found.response_width)
    ]
    missing = found.share_at_first + found.share_at_last + sum(gap.unsharp_fraction or 0.0 for gap in gaps)
    if not counted.any():
        missing = 1.0
    return Focus(
        covered_fraction=max(0.0, 1.0 - missing),
        gaps=gaps,
        starts_sharp=found.share_at_first > _END_SHARE,
        ends_sharp=found.share_at_last > _END_SHARE,
        share_per_frame=[float(s) for s in share],
    )
