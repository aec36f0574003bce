"""The glasses of a shoot: a known kind by name, or a calibration file (TOML 1.0.0) of the viewer's own."""

import tomllib
from pathlib import Path

from nearpair.colour.calibration import VERSION, calibrated
from nearpair.colour.glasses import GLASSES, Glasses
from nearpair.errors import NearpairError, refuse_newer

SUFFIX = ".toml"
_MAX_BYTES = 1 << 16
_REMEDY = "Measure the glasses again with `nearpair glasses`, or give the file's right place."


def glasses_named(name: str) -> Glasses:
    """The glasses of a shoot, by kind or by the path of a calibration file.

    Raises NearpairError for a name that is not known, and for a file that cannot be read or understood: it
    names the file and the key.
    """
    if name in GLASSES:
        return GLASSES[name]
    if name.endswith(SUFFIX):
        return _read(Path(name))
    message = f"There are no glasses named {name!r}."
    raise NearpairError(
        message, f"Choose one of {', '.join(GLASSES)}, or give a calibration file (*{SUFFIX})."
    )


def described(name: str) -> tuple[str, bytes]:
    """What the pictures made for these glasses depend on: the name, and the text of a calibration file."""
    return name, b"" if name in GLASSES or not name.endswith(SUFFIX) else _text(Path(name)).encode()


def _read(path: Path) -> Glasses:
    try:
        raw = tomllib.loads(_text(path))
        refuse_newer(str(path), "version", raw.get("version"), VERSION)
        return calibrated(raw)
    except tomllib.TOMLDecodeError as error:
        raise NearpairError(f"{path}: is not valid TOML: {error}.", _REMEDY) from error
    except NearpairError as error:
        if error.message.startswith(str(path)):
            raise
        raise NearpairError(f"{path}: {error.message}", error.remedy) from error


def _text(path: Path) -> str:
    try:
        if path.stat().st_size > _MAX_BYTES:
            raise NearpairError(f"{path}: is too large for a calibration file.", _REMEDY)
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError as error:
        raise NearpairError(f"{path}: there is no such calibration file.", _REMEDY) from error
    except OSError as error:
        raise NearpairError(f"{path}: cannot be read ({error.strerror}).", _REMEDY) from error
    except UnicodeDecodeError as error:
        raise NearpairError(f"{path}: is not UTF-8 text ({error.reason}).", _REMEDY) from error
