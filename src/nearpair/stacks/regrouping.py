"""Frames put into another station, or set aside, by a person who knows better than the pictures tell."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

from nearpair.errors import SourceError
from nearpair.frames.metadata import FrameInfo
from nearpair.stacks.grouping import SetAside, Sorted
from nearpair.stacks.timing import name_key

BY_HAND = "It was set aside by hand."


def regrouped(
    found: Sorted, moves: Mapping[str, str], frames: Sequence[FrameInfo], named: Callable[[FrameInfo], str]
) -> Sorted:
    """What was sorted, with frames moved. moves: name of a frame → station, or "" to set it aside.

    frames: all that can be read; named: the name of each in `moves`. A frame comes where it was shot among
    those of its new station. Raises SourceError for a station that is not there, or of another size.
    """
    known = {named(frame): frame for frame in frames}
    stations = {station.name: list(station.frames) for station in found.stations}
    aside, notes = list(found.set_aside), list(found.notes)
    for file, to in moves.items():
        if file not in known:
            notes.append(f"{file} was moved by hand, but is not among the frames.")
            continue
        if to and to not in stations:
            message = f"{file} was to be moved to {to}, which is no station of this shoot."
            raise SourceError(message, f"Choose one of {', '.join(stations)}, or nothing to set it aside.")
        before = [other for other in stations.values() if any(named(f) == file for f in other)]
        frame = next((f for other in before for f in other if named(f) == file), known[file])
        for other in before:
            other[:] = [f for f in other if named(f) != file]
        aside = [entry for entry in aside if entry.file != file]
        if to:
            _put(stations[to], frame, file)
        else:
            aside.append(SetAside(file, BY_HAND))
    kept = tuple(replace(s, frames=tuple(stations[s.name])) for s in found.stations)
    return Sorted(tuple(s for s in kept if s.frames), tuple(aside), tuple(notes))


def _put(frames: list[FrameInfo], frame: FrameInfo, file: str) -> None:
    if frames and frames[0].size_px != frame.size_px:
        raise SourceError(
            f"{file} has another size than the frames of the station that it was moved to.", "Set it aside."
        )
    at = next((k for k, other in enumerate(frames) if _earlier(frame, other)), len(frames))
    frames.insert(at, frame)


def _earlier(one: FrameInfo, other: FrameInfo) -> bool:
    if one.captured_s is not None and other.captured_s is not None and one.captured_s != other.captured_s:
        return one.captured_s < other.captured_s
    return name_key(one.path.name) < name_key(other.path.name)
