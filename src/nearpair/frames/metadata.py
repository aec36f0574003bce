"""What is known of a frame without decoding its pixels."""

import re
from dataclasses import dataclass
from pathlib import Path

from nearpair.frames.formats import refuse_large
from nearpair.frames.headers import read_header


@dataclass(frozen=True, slots=True)
class FrameInfo:
    """One frame as the camera wrote it; None where the file does not say.

    size_px            (height, width) after the orientation is applied
    orientation        1 to 8, as stored (TIFF 6.0, tag 274); 1 for HEIC, which turns itself
    bits               8 or 16 per channel, as `read_pixels` gives them
    captured_s         seconds since 1970 of the camera's own clock (no time zone), with sub-seconds
    file_number        the last run of digits of the file name
    focus_distance_mm  from the sensor side as the camera says it; unknown and infinity are None
    camera             make and model in one; `make` and `model` as stored
    """

    path: Path
    size_px: tuple[int, int]
    orientation: int
    bits: int
    camera: str | None
    lens: str | None
    captured_s: float | None
    file_number: int | None
    focal_length_mm: float | None
    focal_length_35mm: float | None
    f_number: float | None
    exposure_s: float | None
    iso: int | None
    focus_distance_mm: float | None
    bytes: int
    format: str
    make: str | None = None
    model: str | None = None


def read_info(path: Path) -> FrameInfo:
    """Read the header of one frame.

    Raises FrameError, naming the file and the remedy, if it is no picture file, empty, unreadable, of a
    variant that cannot be read, in need of an extra that is not installed, or larger than
    `formats.MAX_PIXELS`. Broken metadata only gives None.
    """
    path = Path(path)
    header = read_header(path)
    refuse_large(path, header.stored_px)
    exif = header.exif
    return FrameInfo(
        path=path,
        size_px=header.stored_px if exif.orientation < 5 else header.stored_px[::-1],
        orientation=exif.orientation,
        bits=header.bits,
        camera=exif.camera,
        lens=exif.lens,
        captured_s=exif.captured_s,
        file_number=file_number(path),
        focal_length_mm=exif.focal_length_mm,
        focal_length_35mm=exif.focal_length_35mm,
        f_number=exif.f_number,
        exposure_s=exif.exposure_s,
        iso=exif.iso,
        focus_distance_mm=exif.focus_distance_mm,
        bytes=header.size_bytes,
        format=header.format,
        make=exif.make,
        model=exif.model,
    )


def file_number(path: Path) -> int | None:
    """Return the number a camera counts its files with: the last digits of the name without its suffix."""
    runs = re.findall(r"[0-9]+", path.stem)
    return int(runs[-1]) if runs and len(runs[-1]) <= 18 else None
