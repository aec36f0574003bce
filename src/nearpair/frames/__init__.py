"""Frames as the camera wrote them: files, metadata, colour profiles. Originals are only ever read."""

from nearpair.frames.listing import list_frames
from nearpair.frames.metadata import FrameInfo, read_info
from nearpair.frames.profiles import is_srgb, read_profile, srgb_profile, to_srgb
from nearpair.frames.read import read_pixels, read_small
from nearpair.frames.write import read_tiff, write_float_tiff, write_jpeg, write_png, write_tiff

__all__ = [
    "FrameInfo",
    "is_srgb",
    "list_frames",
    "read_info",
    "read_pixels",
    "read_profile",
    "read_small",
    "read_tiff",
    "srgb_profile",
    "to_srgb",
    "write_float_tiff",
    "write_jpeg",
    "write_png",
    "write_tiff",
]
