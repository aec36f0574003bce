"""What a shoot costs: time, room on the card, charge of the battery. Estimates, with what they assume."""

from nearpair.plan.model import Effort, Stack
from nearpair.plan.request import Camera
from nearpair.plan.request import Effort as Asked

FRAME_S = {"rail": 8.0, "ring": 5.0, "single": 5.0}
"""Seconds from frame to frame by hand: set, let it settle, release (common practice, no source)."""
BETWEEN_STATIONS_S = 60.0
"""Time to move sideways and check the framing (common practice, no source)."""
FILE_MB = 30.0
"""A raw file of some 24 megapixels (common practice, no source)."""
BATTERY_FRAMES = 300
"""Frames on one charge; live view takes more (common practice, no source)."""


def effort(stack: Stack, stations: int, camera: Camera, asked: Asked) -> Effort:
    """Reckon time, card and battery for all stations."""
    frames = stack.frames * stations
    frame_s = FRAME_S[stack.kind] if asked.frame_s is None else asked.frame_s
    file_mb = FILE_MB if camera.file_mb is None else camera.file_mb
    charge = BATTERY_FRAMES if asked.battery_frames is None else asked.battery_frames
    assumed = [
        text
        for known, text in (
            (asked.frame_s, f"{frame_s:g} s from frame to frame"),
            (camera.file_mb, f"{file_mb:g} MB a frame"),
            (asked.battery_frames, f"{charge} frames on a charge"),
        )
        if known is None
    ]
    seconds = frames * frame_s + (stations - 1) * BETWEEN_STATIONS_S
    return Effort(
        frames=frames,
        minutes=seconds / 60,
        card_mb=frames * file_mb,
        battery_share=frames / charge,
        assumed=assumed,
    )
