"""What a frame's EXIF says, in our units; whatever is missing, broken or a code for "unknown" becomes None.

Tags and codes: CIPA DC-008 / JEITA CP-3451 (Exif 2.32, 2019), sections 4.6.4 to 4.6.6; orientation also in
TIFF 6.0 (1992), section 8, tag 274.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, BinaryIO

from PIL import Image

from nearpair.frames.complaints import quiet

_EXIF_IFD = 0x8769
_INTEROPERABILITY_IFD = 0xA005
_UNKNOWN_ISO = 65535
_FAR_CODES = frozenset(
    {0xFFFF, 0xFFFFFFFF}
)  # SubjectDistance: numerator FFFFFFFF is infinity; FFFF seen as well


@dataclass(frozen=True, slots=True)
class ExifFields:
    """The fields of one frame. Times in seconds since 1970 of the camera's own clock, lengths in mm."""

    orientation: int = 1
    make: str | None = None
    model: str | None = None
    lens: str | None = None
    captured_s: float | None = None
    focal_length_mm: float | None = None
    focal_length_35mm: float | None = None
    f_number: float | None = None
    exposure_s: float | None = None
    iso: int | None = None
    focus_distance_mm: float | None = None
    adobe_rgb: bool = False

    @property
    def camera(self) -> str | None:
        """Make and model in one; the make once only where the model repeats it."""
        if not self.make or not self.model:
            return self.model or self.make
        repeated = self.model.split()[0].casefold() == self.make.split()[0].casefold()
        return self.model if repeated else f"{self.make} {self.model}"


def from_block(block: bytes | None) -> ExifFields:
    """Read an EXIF block as JPEG and PNG carry it (prefix "Exif" or not); None gives the defaults."""
    return _read(lambda exif: exif.load(block)) if block else ExifFields()


def from_tiff(file: BinaryIO) -> ExifFields:
    """Read the tags of the first page of an open TIFF file; the file must stay open meanwhile."""
    file.seek(0)
    return _read(lambda exif: exif.load_from_fp(file))


def from_directories(main: bytes, camera: bytes) -> ExifFields:
    """Read two TIFF blocks, the first with the main directory, the second with the EXIF directory."""
    with quiet():
        return _fields(_first_directory(main), _first_directory(camera))


def valid_orientation(value: Any) -> int:
    """Return 1 to 8; 1 (as stored) for anything else."""
    orientation = _integer(value) or 1
    return orientation if 1 <= orientation <= 8 else 1


def _read(load: Callable[[Image.Exif], object]) -> ExifFields:
    exif = Image.Exif()
    with quiet():
        try:
            load(exif)
            main = {tag: _lenient(exif, tag) for tag in exif}
        except Exception:  # noqa: BLE001 - the library raises almost anything on broken metadata
            return ExifFields()
        camera = _tags_below(exif, _EXIF_IFD)
        adobe_rgb = _text(_tags_below(exif, _INTEROPERABILITY_IFD).get(1)) == "R03"
        return replace(_fields(main, camera), adobe_rgb=adobe_rgb)


def _first_directory(block: bytes) -> Mapping[int, Any]:
    exif = Image.Exif()
    try:
        exif.load(block)
        return {tag: _lenient(exif, tag) for tag in exif}
    except Exception:  # noqa: BLE001 - see _read
        return {}


def _tags_below(exif: Image.Exif, tag: int) -> Mapping[int, Any]:
    try:
        return dict(exif.get_ifd(tag))
    except Exception:  # noqa: BLE001 - see _read
        return {}


def _lenient(exif: Image.Exif, tag: int) -> Any:
    try:
        return exif[tag]
    except Exception:  # noqa: BLE001 - one broken tag must not hide the others
        return None


def _fields(main: Mapping[int, Any], camera: Mapping[int, Any]) -> ExifFields:
    return ExifFields(
        orientation=valid_orientation(main.get(0x0112)),
        make=_text(main.get(0x010F)),
        model=_text(main.get(0x0110)),
        lens=_text(camera.get(0xA434)) or _text(main.get(0xA434)),
        captured_s=_captured_s(main, camera),
        focal_length_mm=_positive(camera.get(0x920A)),
        focal_length_35mm=_positive(camera.get(0xA405)),
        f_number=_positive(camera.get(0x829D)) or _apex(camera.get(0x9202), 0.5),
        exposure_s=_positive(camera.get(0x829A)) or _apex(camera.get(0x9201), -1.0),
        iso=_iso(camera),
        focus_distance_mm=_distance_mm(camera.get(0x9206)),
    )


def _captured_s(main: Mapping[int, Any], camera: Mapping[int, Any]) -> float | None:
    """Prefer when it was taken to when it was digitised to when the file was written."""
    for when, fraction in (
        (camera.get(0x9003), 0x9291),
        (camera.get(0x9004), 0x9292),
        (main.get(0x0132), 0x9290),
    ):
        seconds = _clock_s(when)
        if seconds is not None:
            return seconds + _fraction_s(camera.get(fraction))
    return None


def _clock_s(value: Any) -> float | None:
    text = _text(value)
    if text is None:
        return None
    try:  # the camera's own clock, taken as if it were UTC: only differences matter
        clock = datetime.strptime(text[:19].replace("-", ":").replace("T", " ") + "Z", "%Y:%m:%d %H:%M:%S%z")
    except ValueError:
        return None
    return clock.timestamp()


def _fraction_s(value: Any) -> float:
    digits = _text(value) or ""
    return float(f"0.{digits}") if digits.isascii() and digits.isdigit() else 0.0


def _text(value: Any) -> str | None:
    if isinstance(value, bytes):
        value = value.decode("latin-1")
    if not isinstance(value, str):
        return None
    text = value.split("\0")[0].strip()
    printable = "".join(character for character in text if character.isprintable())
    return printable if printable.strip("-. ") else None


def _number(value: Any) -> float | None:
    if isinstance(value, tuple) and value:
        value = value[0]
    try:
        number = float(value)
    except (TypeError, ValueError, ArithmeticError):
        return None
    return number if math.isfinite(number) else None


def _positive(value: Any) -> float | None:
    number = _number(value)
    return number if number is not None and number > 0 else None


def _integer(value: Any) -> int | None:
    number = _number(value)
    return None if number is None else round(number)


def _apex(value: Any, power: float) -> float | None:
    """Aperture 2^(Av/2) and exposure time 2^(-Tv) from APEX values (Exif 2.32, annex C)."""
    number = _number(value)
    return 2.0 ** (number * power) if number is not None and abs(number) < 32 else None


def _iso(camera: Mapping[int, Any]) -> int | None:
    """PhotographicSensitivity; 65535 there means "see the longer tags" (ISOSpeed, then recommended index)."""
    short = _integer(camera.get(0x8827)) or 0
    if 0 < short < _UNKNOWN_ISO:
        return short
    longer = [_integer(camera.get(tag)) or 0 for tag in (0x8833, 0x8832)]
    return next((value for value in longer if value > 0), None)


def _distance_mm(value: Any) -> float | None:
    if getattr(value, "numerator", None) in _FAR_CODES:
        return None
    metres = _positive(value)
    return None if metres is None or metres in _FAR_CODES else metres * 1000.0
