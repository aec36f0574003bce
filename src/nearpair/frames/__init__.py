"""Frames as the camera wrote them: files, metadata, colour profiles. Originals are only ever read."""

from nearpair.frames.listing import list_frames
from nearpair.frames.metadata import FrameInfo, read_info
from nearpair.frames.read import read_pixels, read_small

__all__ = ["FrameInfo", "list_frames", "read_info", "read_pixels", "read_small"]
