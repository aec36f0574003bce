"""What published pictures carry of their frames: camera, lens and settings, and words about them.

Where a picture was taken (the GPS directory) and what tells one camera or its owner from all others (serial
numbers, owner's name, unique number of the picture, the maker's own notes) stays behind unless it is asked
for; the maker's notes always do, for they hold places in the old file. Tags: CIPA DC-008 / JEITA CP-3451
(Exif 2.32, 2019), sections 4.6.4 to 4.6.6.
"""

from dataclasses import dataclass
from typing import Any

from PIL import Image

import nearpair
from nearpair.frames.complaints import quiet
from nearpair.frames.formats import unreadable
from nearpair.frames.metadata import FrameInfo
from nearpair.frames.xmp import About, clock, xmp_packet

_CAMERA, _GPS = 0x8769, 0x8825
_DESCRIPTION, _MAKE, _MODEL, _SOFTWARE, _CHANGED, _ARTIST, _COPYRIGHT = 270, 271, 272, 305, 306, 315, 33432
_KEPT = (_DESCRIPTION, _MAKE, _MODEL, _CHANGED, _ARTIST, _COPYRIGHT)
_PRIVATE = frozenset({0xA420, 0xA430, 0xA431, 0xA435})  # unique number, owner, serials of body and lens
_OF_THE_FILE = frozenset({0x927C, 0xA001, 0xA002, 0xA003, 0xA005, 0xEA1C})  # maker's notes, size, colour, ...
_SRGB = 1
_WITH_BLOCK = ("JPEG", "TIFF", "PNG")


@dataclass(frozen=True, slots=True)
class Carried:
    """Metadata ready to be put into a file: an EXIF block and an XMP packet."""

    exif: bytes
    xmp: bytes


def software() -> str:
    """Return what files say they were made with."""
    return f"nearpair {nearpair.__version__}"


def carried(info: FrameInfo, about: About, *, private: bool = False) -> Carried:
    """Return what a picture made from this frame carries; the same bytes for the same frame and words.

    private: keep the place and what tells the camera and its owner. A frame whose metadata cannot be read
    again gives what `info` holds. Pixels are sRGB and stand upright. Raises UnreadableError if the file
    cannot be opened: then nothing is known of what it holds.
    """
    main, camera, place = _stored(info)
    if not private:
        camera = {tag: value for tag, value in camera.items() if tag not in _PRIVATE}
        place = {}
    for tag, text in ((_DESCRIPTION, about.caption), (_ARTIST, about.creator)):
        if text:
            main[tag] = text.encode() if not text.isascii() else text
    out = Image.Exif()
    for tag, value in {**main, _SOFTWARE: software()}.items():
        out[tag] = value
    out[_CAMERA] = {**camera, 0xA001: _SRGB}
    if place:
        out[_GPS] = place
    return Carried(out.tobytes(), xmp_packet(info, software(), about))


def _stored(info: FrameInfo) -> tuple[dict[int, Any], dict[int, Any], dict[int, Any]]:
    """Directories of the frame: main, camera, place."""
    if info.format in _WITH_BLOCK:
        try:
            with quiet(), Image.open(info.path) as file:
                found = file.getexif()
                main = {tag: found[tag] for tag in _KEPT if tag in found}
                camera = {t: v for t, v in found.get_ifd(_CAMERA).items() if t not in _OF_THE_FILE}
                return main, camera, dict(found.get_ifd(_GPS))
        except OSError as error:
            if error.errno:  # not what is in the file: another time it says more
                raise unreadable(info.path, error) from error
            return _known(info)
        except Exception:  # noqa: BLE001 - broken metadata is expected; what was read of it before is used
            return _known(info)
    return _known(info)


def _known(info: FrameInfo) -> tuple[dict[int, Any], dict[int, Any], dict[int, Any]]:
    when = None if info.captured_s is None else clock(info.captured_s).strftime("%Y:%m:%d %H:%M:%S")
    main = {_MAKE: info.make, _MODEL: info.model or info.camera, _CHANGED: when}
    camera = {
        0x829A: info.exposure_s,
        0x829D: info.f_number,
        0x8827: info.iso,
        0x9003: when,
        0x920A: info.focal_length_mm,
        0xA434: info.lens,
    }
    present = [{tag: value for tag, value in each.items() if value is not None} for each in (main, camera)]
    return present[0], present[1], {}
