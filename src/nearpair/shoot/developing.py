"""Where the developed raw frames of a shoot lie: in its cache, complete or absent."""

from pathlib import Path

from nearpair.frames.developed import DevelopedFrames
from nearpair.shoot.atomic import replacing
from nearpair.shoot.memo import fingerprint


def developed_frames(cache: Path) -> DevelopedFrames:
    """Return the developed frames in the folder `cache` of a shoot; nothing is made before it is needed."""
    return DevelopedFrames(cache / "developed", fingerprint, replacing)
