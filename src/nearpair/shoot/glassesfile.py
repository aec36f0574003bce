"""The glasses of a shoot: a known kind by name, or a calibration file (TOML 1.0.0) of the viewer's own."""

import tomllib
from hashlib import blake2b
from pathlib import Path

from nearpair.colour.calibration import VERSION, calibrated
from nearpair.colour.glasses import GLASSES, Glasses
from nearpair.errors import NearpairError, refuse_newer
from nearpair.shoot.atomic import write_whole
from nearpair.shoot.decisions import GLASSES_SUFFIX
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.names import safe_name

SUFFIX = GLASSES_SUFFIX
_MAX_BYTES, _LONGEST_NAME = 1 << 16, 60
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


def keep_glasses(shoot: ShootFolder, name: str, text: str) -> Path:
    """Keep a calibration file in the shoot, so that it stays with it; returns where, a whole path.

    name: of the file as it was given. One of this name with another text is never overwritten. Raises
    NearpairError for a text that is no calibration file; then nothing is kept.
    """
    _understood(name, text)
    stem = safe_name(name.removesuffix(SUFFIX)[:_LONGEST_NAME])
    path = shoot.glasses / f"{stem}{SUFFIX}"
    content = text.encode()
    if path.exists() and path.read_bytes() != content:
        path = path.with_name(f"{stem}-{blake2b(content, digest_size=4).hexdigest()}{SUFFIX}")
    if not path.exists():
        write_whole(path, content)
    return path.absolute()


def kept_glasses(shoot: ShootFolder) -> list[str]:
    """The calibration files that are kept in a shoot, whole paths."""
    return sorted(str(path.absolute()) for path in shoot.glasses.glob(f"[!.]*{SUFFIX}"))


def _read(path: Path) -> Glasses:
    return _understood(str(path), _text(path))


def _understood(name: str, text: str) -> Glasses:
    try:
        raw = tomllib.loads(text)
        refuse_newer(name, "version", raw.get("version"), VERSION)
        return calibrated(raw)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise NearpairError(f"{name}: is not valid TOML: {error}.", _REMEDY) from error
    except NearpairError as error:
        if error.message.startswith(name):
            raise
        raise NearpairError(f"{name}: {error.message}", error.remedy) from error


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
