"""The retouch stage, between merging and mounting: areas of the views show frames that were chosen for them.

The merged views stay as they are; retouched ones lie beside them. So without retouches nothing changes, and
once a retouch is taken back the pair is what it was. Only the frames that are named, and those of the other
station that are focused on the same planes, are decoded.
"""

from collections.abc import Sequence
from pathlib import Path

import msgspec
from msgspec.structs import replace

from nearpair.frames.metadata import FrameInfo
from nearpair.frames.profiles import read_profile
from nearpair.frames.read import Pixels
from nearpair.frames.write import write_float_tiff, write_tiff
from nearpair.progress import Progress
from nearpair.proof.model import LensProfile
from nearpair.proof.model_retouch import Retouched
from nearpair.shoot.atomic import replacing
from nearpair.shoot.counterparts import Counterparts, counterparts
from nearpair.shoot.decisions import Retouch
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.looking import Member
from nearpair.shoot.memo import Memo, key_of
from nearpair.shoot.merging import Merged, places_of
from nearpair.shoot.mounting import reference_frame, views_of
from nearpair.shoot.reading import Reading
from nearpair.shoot.retouches import Chosen, Pair, Put, chosen_of, puts_of
from nearpair.views.merge import View
from nearpair.views.retouch import Source, around, put_in, within

Both = tuple[Merged, Merged]


class _Done(msgspec.Struct, frozen=True):
    done: list[Retouched]


def retouch_pair(
    shoot: ShootFolder,
    memo: Memo,
    reading: Reading,
    pair: Pair,
    merged: Both,
    retouches: Sequence[Retouch],
    lens: LensProfile,
    progress: Progress,
) -> tuple[Both, list[Retouched]]:
    """Put the chosen frames into the views, unless the same was done before.

    Returns what merging found, as mounting is to take it, and what was done. Retouches that were drawn on a
    station outside the pair wait. lens: what is taken out when they are mounted. Raises ShootError for a
    frame that its station does not have.
    """
    chosen = chosen_of(pair, retouches)
    touched = _touched(chosen)
    files = [_files(shoot, pair[eye]) for eye in touched]
    outputs = [*sorted(view for view, _ in files), *sorted(focus for _, focus in files)]
    for stale in set(shoot.retouched_files()) - set(outputs):
        stale.unlink()
    if not chosen:
        return merged, []
    key = key_of(merged[0].key, merged[1].key, [one.retouch for one in chosen], lens)
    recalled = memo.recall("retouch", key, outputs)
    if recalled is not None:
        done = msgspec.json.decode(recalled, type=_Done).done
    else:
        done = _Work(shoot, memo, reading, pair, merged, lens, progress).all(chosen, touched)
        memo.record("retouch", key, outputs, msgspec.json.encode(_Done(done)))
    left, right = (
        replace(found, key=key_of(found.key, key), retouched=True) if eye in touched else found
        for eye, found in enumerate(merged)
    )
    return (left, right), done


def retouched_last(shoot: ShootFolder, memo: Memo) -> list[Retouched]:
    """What the stage did last, if its files still are as it left them."""
    found = memo.latest("retouch", shoot.retouched_files())
    return [] if found is None else msgspec.json.decode(found, type=_Done).done


def in_words(
    done: Sequence[Retouched], waiting: Sequence[Retouch], adrift: Sequence[Retouch] = ()
) -> list[str]:
    """What was retouched, for the notes of the proof."""
    stations = dict.fromkeys(retouch.station for retouch in waiting)
    wait = [f"Retouches that were drawn on {name} wait until it is in the pair." for name in stations]
    loose = [
        f"A retouch of {one.station} was drawn when its view lay on {one.on}, which is not used any longer: "
        "look whether it still lies where it should."
        for one in adrift
    ]
    return [_said(one) for one in done] + wait + loose


def _said(one: Retouched) -> str:
    own = f"Retouched: an area of {one.station} shows {one.frame}"
    if one.other_station is None:
        return f"{own}; the other eye was left as it is."
    if one.other_frame is None:
        return f"{own}; {one.other_station} was left as it is: {one.reason}."
    share = "" if one.other_share is None or one.other_share > 0.995 else f", {one.other_share:.0%} of it"
    return f"{own}, and that of {one.other_station}{share} {one.other_frame}, focused on the same plane."


def _touched(chosen: Sequence[Chosen]) -> list[int]:
    """The eyes whose views may change."""
    own = {one.eye for one in chosen}
    return sorted(own | {1 - one.eye for one in chosen if one.retouch.eyes == "both"})


def _files(shoot: ShootFolder, member: Member) -> tuple[Path, Path]:
    name = member.station.name
    return shoot.view(name, retouched=True), shoot.focus(name, retouched=True)


class _Work:
    """Puts frames into the views of a pair, one retouch after the other."""

    def __init__(
        self,
        shoot: ShootFolder,
        memo: Memo,
        reading: Reading,
        pair: Pair,
        merged: Both,
        lens: LensProfile,
        progress: Progress,
    ) -> None:
        self._shoot, self._memo, self._reading, self._pair = shoot, memo, reading, pair
        self._merged, self._lens, self._progress = merged, lens, progress
        rgb, focus = views_of(shoot, pair, merged)
        self._views = [View(picture, eye.frame) for picture, eye in zip(rgb, focus, strict=True)]
        self._places = [places_of(member) for member in pair]
        self._counterparts: Counterparts | None = None
        self._read: dict[int, tuple[FrameInfo, Pixels]] = {}

    def all(self, chosen: Sequence[Chosen], touched: Sequence[int]) -> list[Retouched]:
        """Do all retouches in their order, and write the views they change."""
        if any(one.retouch.eyes == "both" for one in chosen):
            views = (self._views[0], self._views[1])
            self._counterparts = counterparts(
                self._shoot, self._memo, self._pair, self._merged, views, self._lens, self._progress
            )
        done = []
        for count, one in enumerate(chosen):
            self._progress("retouching", count, len(chosen))
            puts, told = puts_of(one, self._pair, self._counterparts)
            for put in puts:
                self._put(put)
            done.append(told)
        for eye in touched:
            self._write(eye)
        self._progress("retouching", len(chosen), len(chosen))
        return done

    def _put(self, put: Put) -> None:
        """Put a frame into a view, of which only the part around the area is worked on."""
        member, view = self._pair[put.eye], self._views[put.eye]
        k = member.survey.used.index(put.number)
        pixels = self._pixels(put.eye, member.station.frames[put.number])
        source = Source(pixels, self._places[put.eye][k], member.survey.gains[k], put.focus)
        box = around(put.area, (view.rgb.shape[0], view.rgb.shape[1]))
        part = slice(box[1], box[1] + box[3]), slice(box[0], box[0] + box[2])
        done = put_in(View(view.rgb[part], view.focus[part]), *within(box, put.area, source))
        view.rgb[part], view.focus[part] = done.rgb, done.focus

    def _pixels(self, eye: int, frame: FrameInfo) -> Pixels:
        """A frame's pixels; the last one of each eye is at hand still."""
        known = self._read.pop(eye, None)
        if known is None or known[0] != frame:
            known = None  # its memory goes first
            known = frame, self._reading.pixels(frame)
        self._read[eye] = known
        return known[1]

    def _write(self, eye: int) -> None:
        frame, view = reference_frame(self._pair[eye]), self._views[eye]
        picture, focus = _files(self._shoot, self._pair[eye])
        with replacing(picture) as part:
            write_tiff(part, view.rgb, read_profile(frame.path), frame)
        with replacing(focus) as part:
            write_float_tiff(part, view.focus)
