"""What is known of every output: from what and how it was made. Kept beside the outputs, so that it lasts."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import msgspec

from nearpair.colour.glasses import GLASSES
from nearpair.errors import NearpairError, refuse_newer
from nearpair.shoot.atomic import write_whole
from nearpair.shoot.decisions import AboutDecisions, Capture, ColourDecisions, Decisions, load
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.glassesfile import described
from nearpair.shoot.memo import Memo, key_of
from nearpair.shoot.mounting import Mounted

VERSION = 1
"""The only version of `out/outputs.json` so far."""

Part = Literal["pair", "colour", "glasses", "viewing", "about", "lengths", "program"]

_AS_DECIDED = "mounted as decided"
_WORDS: dict[Part, str] = {
    "pair": "the pair was mounted anew",
    "colour": "glasses or method were changed",
    "glasses": "the calibration of its glasses was changed",
    "viewing": "the viewing conditions were changed",
    "about": "what is said of the picture was changed",
    "lengths": "the lengths in mm were changed",
    "program": "another version of nearpair made it",
}
_NOT_MOUNTED = "the pair is not mounted yet as it is decided now"


class Output(msgspec.Struct, frozen=True):
    """One output: its files below `out`, and how it was made.

    made_from: a digest of each part of the shoot that it shows. form: its name, if it was asked for by name;
    then settings are those that changed it. usual: the name of an output that every shoot has; glasses: for
    which an anaglyph of these was made.
    """

    files: tuple[str, ...]
    made_from: dict[Part, str]
    form: str = ""
    settings: dict[str, Any] = {}
    usual: str = ""
    glasses: str = ""


class _Log(msgspec.Struct, frozen=True):
    version: int
    outputs: list[Output]


class Age(msgspec.Struct, frozen=True):
    """A file below `out`, and why it shows an earlier state of the picture; "" where it does not.

    known: whether it is known how the file was made; else it cannot be made again by itself.
    """

    file: str
    older: str
    known: bool


@dataclass(frozen=True, slots=True)
class Now:
    """A shoot as it is now; `pair` is the digest of its mounted pair, None if that is not as decided.

    Digests are of what is in files, not of when they were written: the same frames give the same list.
    """

    root: Path
    decisions: Decisions
    pair: str | None
    program: str

    def made_from(self, parts: Iterable[Part], glasses: str = "") -> dict[Part, str]:
        """Digests of these parts; what cannot be read has none. Raises no error."""
        return {part: self._digest(part, glasses) for part in parts}

    def _digest(self, part: Part, glasses: str) -> str:
        decided = self.decisions
        try:
            match part:
                case "pair":
                    return self.pair or ""
                case "program":
                    return self.program
                case "colour":
                    return key_of(decided.colour.method, _text_of(decided.colour.glasses))
                case "glasses":
                    return key_of(_text_of(glasses_here(self.root, glasses)))
                case "viewing" | "about":
                    return key_of(getattr(decided, part))
                case "lengths":
                    return key_of(decided.capture)
        except NearpairError:  # a calibration file that is gone
            return ""

    def why_older(self, output: Output) -> str:
        """Why an output shows an earlier state of the picture, in words; "" if it does not."""
        present = self.made_from(output.made_from, output.glasses)
        changed = [part for part, digest in output.made_from.items() if present[part] != digest]
        if "pair" in changed and not self.pair:
            return _NOT_MOUNTED
        told = [part for part in changed if part != "program"] or changed
        return ", ".join(_WORDS[part] for part in told)


def _text_of(glasses: str) -> str:
    """What stands for glasses, wherever their file lies."""
    return glasses if glasses in GLASSES else described(glasses)[1].decode()


def glasses_there(root: Path, glasses: str) -> str:
    """The name of glasses as it is kept: of a calibration file in the shoot as seen from there."""
    path, folder = Path(glasses), root.absolute()
    return path.relative_to(folder).as_posix() if path.is_relative_to(folder) else glasses


def glasses_here(root: Path, kept: str) -> str:
    """Glasses by the name that was kept, as `glasses_named` takes it."""
    return kept if kept in GLASSES else str(root.absolute() / kept)


def note_mounted(memo: Memo, decisions: Decisions, mounted: Mounted) -> None:
    """Remember that the pair is mounted as it is decided."""
    key, pair = _mounting_key(decisions), mounted.key.encode()
    if memo.recall(_AS_DECIDED, key, []) != pair:
        memo.record(_AS_DECIDED, key, [], pair)


def _mounting_key(decisions: Decisions) -> str:
    """Digest of all decisions but those that mounting does not look at."""
    plain = (ColourDecisions(), AboutDecisions(), Capture())
    without = dict(zip(("colour", "about", "capture"), plain, strict=True))
    return key_of(msgspec.structs.replace(decisions, strict=False, **without))


def as_mounted(shoot: ShootFolder, memo: Memo, decisions: Decisions, mounted: Mounted) -> Now:
    """The shoot right after its pair was mounted."""
    pair = key_of(memo.digests("mount"), mounted.mounting.floating_px)
    return Now(shoot.root, decisions, pair, memo.version)


def now(shoot: ShootFolder, memo: Memo) -> Now:
    """The shoot as it lies there: its decisions, and the pair if that was mounted by them."""
    decisions = load(shoot.toml)
    found = memo.latest("mount", [shoot.left, shoot.right, shoot.parallax])
    as_decided = memo.recall(_AS_DECIDED, _mounting_key(decisions), [])
    if found is not None and as_decided is not None:
        mounted = msgspec.json.decode(found, type=Mounted)
        if mounted.key == as_decided.decode():
            return as_mounted(shoot, memo, decisions, mounted)
    return Now(shoot.root, decisions, None, memo.version)


def logged(shoot: ShootFolder) -> list[Output]:
    """What is known of the outputs that are there. A newer nearpair's list raises NewerVersionError."""
    try:
        text = shoot.outlog.read_bytes()
    except OSError:
        return []
    try:
        plain = msgspec.json.decode(text)
        found = plain.get("version") if isinstance(plain, dict) else None
        refuse_newer(str(shoot.outlog), "version", found, VERSION)
        outputs = msgspec.convert(plain, _Log).outputs
    except msgspec.MsgspecError:  # damaged: what it said is lost, and nothing else
        return []
    return [output for output in outputs if all(_is_there(shoot, file) for file in output.files)]


def _is_there(shoot: ShootFolder, file: str) -> bool:
    try:
        return shoot.out(file).is_file()
    except NearpairError:  # a name that leads elsewhere
        return False


def log(shoot: ShootFolder, made: Sequence[Output]) -> None:
    """Keep how outputs were made, in place of what was known of their files."""
    new = {file for output in made for file in output.files}
    outputs = [output for output in logged(shoot) if not new & set(output.files)] + list(made)
    outputs.sort(key=lambda output: output.files)
    plain = msgspec.json.encode(_Log(VERSION, outputs), order="deterministic")
    text = msgspec.json.format(plain, indent=1) + b"\n"
    if not shoot.outlog.is_file() or shoot.outlog.read_bytes() != text:
        write_whole(shoot.outlog, text)


def names_below(shoot: ShootFolder, files: Iterable[Path]) -> tuple[str, ...]:
    """Files as the list names them: below `out`, with "/"."""
    out = shoot.outlog.parent
    return tuple(file.relative_to(out).as_posix() for file in files)
