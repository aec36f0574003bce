"""What a run reports of the shoot: its pair, its eyes, its stations and its notes."""

import msgspec

from nearpair.errors import SourceError
from nearpair.proof.model import Eyes, Station
from nearpair.shoot.decisions import Decisions
from nearpair.shoot.looking import Looked, Member
from nearpair.shoot.merging import Merged
from nearpair.shoot.surveying import survey_factor
from nearpair.stacks.dust import in_both


def pair_of(looked: Looked) -> tuple[Member, Member]:
    """The two stations of the pair, left eye first. Raises SourceError if there is only one station."""
    if looked.pair is None:
        station = looked.stations[0]
        message = (
            f"Only one station was found ({station.name}, {len(station.frames)} frames); a stereoscopic "
            "photograph needs two, shot from beside each other."
        )
        raise SourceError(message, "Give the folder of the other station too, or the whole card.")
    return looked.pair


def eyes_of(looked: Looked) -> Eyes:
    """The eyes of a shoot that has a pair."""
    if looked.eyes is None:
        message = "the eyes are known once there is a pair"
        raise ValueError(message)
    return looked.eyes


def notes(looked: Looked, decisions: Decisions) -> list[str]:
    """What was noticed, and why this pair of several."""
    if len(looked.stations) <= 2:
        return list(looked.notes)
    notes = [*looked.notes, f"Pair: {looked.pair_reason}."]
    if decisions.capture.base_mm is not None and looked.eyes is not None:
        between = f"{looked.eyes.left} and {looked.eyes.right}"
        notes.append(f"The stated base of {decisions.capture.base_mm:g} mm counts for {between}.")
    return notes


def dust_of(pair: tuple[Member, Member]) -> list[tuple[int, int]]:
    """Where specks lie on the sensor, as both stacks of the pair show: x, y in px of the frames."""
    left, right = pair
    if left.station.frames[0].orientation != right.station.frames[0].orientation:
        return []
    sizes = [(member.survey.sharp.shape[0], member.survey.sharp.shape[1]) for member in pair]
    factor = survey_factor(left.station.frames[0].size_px)
    found = in_both(left.survey.specks, right.survey.specks, sizes[0], sizes[1])
    return [(round(factor * speck.x_px), round(factor * speck.y_px)) for speck in found]


def reports(looked: Looked, pair: tuple[Member, Member], merged: tuple[Merged, Merged]) -> list[Station]:
    """Reports of all stations, with what merging found for those of the pair."""
    found = {member.station.name: result for member, result in zip(pair, merged, strict=True)}
    reports = []
    for station in looked.stations:
        result = found.get(station.name)
        known = {} if result is None else {"focus": result.focus, "depth_of_field": result.depth_of_field}
        reports.append(msgspec.structs.replace(station, **known))
    return reports
