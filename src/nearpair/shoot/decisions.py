"""The decisions about one shoot: what `shoot.toml` says, version 1 (TOML 1.0.0), to be edited by hand."""

import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
import tomlkit
from msgspec import Meta, Struct
from msgspec.structs import replace
from tomlkit.exceptions import TOMLKitError

from nearpair.errors import ShootError, refuse_newer
from nearpair.optics import sources as published
from nearpair.optics.viewing import CLOSEST_MM, FARTHEST_MM, Viewing
from nearpair.shoot.atomic import write_whole
from nearpair.shoot.blank import NEW_SHOOT
from nearpair.shoot.explain import explained

VERSION = 1
"""The only version of `shoot.toml` so far."""

GLASSES_SUFFIX = ".toml"
"""How the name of a calibration file of glasses ends; a relative one counts from the shoot's folder."""

_MAX_BYTES = 1 << 20  # a hundred times more than any shoot needs

_SMALLEST_EYES_MM = published.EYES_SMALLEST_CHILD_MM.value
_LARGEST_EYES_MM = published.EYES_LARGEST_MM.value

ASPECT = r"^(auto|[1-9][0-9]{0,4}(\.[0-9]{1,4})?:[1-9][0-9]{0,4}(\.[0-9]{1,4})?)$"
"""What an aspect ratio looks like: "auto", or width to height, such as "3:2" or "2.35:1"."""

Length = Annotated[float, Meta(gt=0, le=1e6)]  # mm; the limit keeps out inf, which TOML can write
SeenWidth = Annotated[float, Meta(ge=1, le=FARTHEST_MM)]
SeenFrom = Annotated[float, Meta(ge=CLOSEST_MM, le=FARTHEST_MM)]
Eyes = Annotated[float, Meta(ge=_SMALLEST_EYES_MM, le=_LARGEST_EYES_MM)]
Place = Annotated[float, Meta(ge=0, le=1e6)]  # px

CropAt = Annotated[int, Meta(ge=0, le=1_000_000)]  # px
CropSize = Annotated[int, Meta(ge=32, le=1_000_000)]  # px

Hand = Annotated[float, Meta(ge=-1e5, le=1e5)]  # px

# Not beyond the right view: at the left side of the frame and beside near things it would have to be guessed.
Share = Annotated[float, Meta(gt=0, le=1)]


class Station(Struct, frozen=True, forbid_unknown_fields=True):
    """What the photographer knows better about one station; "auto" leaves it to the pictures."""

    name: Annotated[str, Meta(min_length=1)]
    order: Literal["auto", "far-to-near", "near-to-far"] = "auto"
    kind: Literal["auto", "rail", "ring"] = "auto"


class Mounting(Struct, frozen=True, forbid_unknown_fields=True):
    """Window, crop and masks.

    `window`: "auto", on the nearest or farthest thing, or on a point (x, y), px. `aspect`: width to height of
    the crop, such as "4:3", or "auto" as the frames. `crop`: "auto", or set by hand: x, y, width and height,
    px of the left view as it lies; then `aspect` does nothing. `floating`: masks where a side cuts what
    stands in front of the window ("auto"), or "never". `base_share`: share of the stereo base as shot from
    which the right eye sees the subject; the picture from there is reckoned. `lens`: whose distortion is
    taken out of both views: "auto" as the frames say, if a database of lenses knows it, "never", or the name
    of a lens there. `light`: whether views that differ in brightness or colour are evened: "auto" if they
    surely do, "even" always, or "as-shot" never.
    """

    window: Literal["auto", "near", "far"] | tuple[Place, Place] = "auto"
    aspect: Annotated[str, Meta(pattern=ASPECT)] = "auto"
    floating: Literal["auto", "never"] = "auto"
    base_share: Share = 1.0
    lens: Annotated[str, Meta(min_length=1, max_length=200)] = "auto"
    light: Literal["auto", "even", "as-shot"] = "auto"
    crop: Literal["auto"] | tuple[CropAt, CropAt, CropSize, CropSize] = "auto"

    def aspect_ratio(self) -> float | None:
        """Width over height of the crop; None as the frames."""
        if self.aspect == "auto":
            return None
        width, height = self.aspect.split(":")
        return float(width) / float(height)


class Adjusting(Struct, frozen=True, forbid_unknown_fields=True):
    """What was set by hand, on top of what was measured; all of it moves the right picture.

    `shift_px`: to the right, so that everything stands so much farther behind the window, once the window was
    placed. `raise_px`: up. `turn_deg`: clockwise, about the middle. `scale`: times larger, about the middle.
    """

    shift_px: Hand = 0.0
    raise_px: Hand = 0.0
    turn_deg: Annotated[float, Meta(ge=-10, le=10)] = 0.0
    scale: Annotated[float, Meta(ge=0.9, le=1.1)] = 1.0


class Capture(Struct, frozen=True, forbid_unknown_fields=True):
    """What was read off or measured while shooting, mm; None where nobody did, or where the camera tells.

    `base_mm`: sideways move between the two stations. `step_mm`: move from frame to frame. `field_width_mm`:
    width of what a frame shows in its plane of focus. `focal_mm`: focal length at this magnification.
    """

    base_mm: Length | None = None
    step_mm: Length | None = None
    field_width_mm: Length | None = None
    sensor_width_mm: Length | None = None
    focal_mm: Length | None = None


class ViewingConditions(Struct, frozen=True, forbid_unknown_fields=True):
    """How the picture will be looked at: its width, from how far, by eyes how far apart; all in mm."""

    screen_width_mm: SeenWidth = 600.0
    distance_mm: SeenFrom = 600.0
    eyes_mm: Eyes = published.EYES_MEAN_MM.value

    def seen(self) -> Viewing:
        """The same for optics."""
        return Viewing(self.screen_width_mm, self.distance_mm, self.eyes_mm)


class ColourDecisions(Struct, frozen=True, forbid_unknown_fields=True):
    """Which glasses the anaglyph is made for and how colours are found."""

    glasses: Annotated[str, Meta(min_length=1)] = "red-cyan"
    method: Literal[
        "colour", "half-colour", "grey", "least-squares", "local-desaturation", "cielab", "matched"
    ] = "matched"


Words = Annotated[str, Meta(max_length=2000)]


class AboutDecisions(Struct, frozen=True, forbid_unknown_fields=True):
    """What published pictures say of themselves: caption, maker, and words for those who cannot see them."""

    caption: Words = ""
    creator: Words = ""
    alt: Words = ""


Point = tuple[Annotated[float, Meta(ge=-1e6, le=1e6)], Annotated[float, Meta(ge=-1e6, le=1e6)]]  # px


class Retouch(Struct, frozen=True, forbid_unknown_fields=True):
    """An area of a view that shows a frame of one's own choice, in both eyes or in one.

    `station` and `frame`: on whose view it was drawn, and the name of the file to show there. Everything
    within `radius_px` of the line through `points`, px of that view as it lay when its frames were laid on
    the frame named `on`, or as it lies now. With `eyes` "both" the other view shows the frame of its own
    stack that is focused on the same plane.
    """

    station: Annotated[str, Meta(min_length=1)]
    frame: Annotated[str, Meta(min_length=1)]
    radius_px: Annotated[float, Meta(ge=0.5, le=1e4)]
    points: Annotated[tuple[Point, ...], Meta(min_length=1, max_length=200)]
    eyes: Literal["both", "one"] = "both"
    on: str = ""


class Decisions(Struct, frozen=True, forbid_unknown_fields=True):
    """Everything that is decided about one shoot.

    `left` and `right` name a station or a folder, or are empty: then the pictures tell. `pair` names the two
    stations to use of more than two, in any order, or is empty: then they are chosen for the viewing
    conditions. With `strict` a frame that cannot be used stops the job instead of being set aside.
    """

    version: Literal[1] = 1
    sources: tuple[str, ...] = ()
    left: str = ""
    right: str = ""
    pair: tuple[Annotated[str, Meta(min_length=1)], ...] = ()
    strict: bool = False
    moved: dict[str, str] = {}
    """Frames that were moved by hand: name (or folder/name) → station, or "" to set it aside."""
    stations: tuple[Station, ...] = ()
    retouches: Annotated[tuple[Retouch, ...], Meta(max_length=200)] = ()
    mounting: Mounting = Mounting()
    adjust: Adjusting = Adjusting()
    capture: Capture = Capture()
    viewing: ViewingConditions = ViewingConditions()
    colour: ColourDecisions = ColourDecisions()
    about: AboutDecisions = AboutDecisions()


def load(path: Path) -> Decisions:
    """Read and check a `shoot.toml`. Raises ShootError naming file, key, what was expected and found.

    A file that a newer nearpair wrote raises NewerVersionError, whatever else it holds.
    """
    raw = _parsed(path, _text(path))
    refuse_newer(str(path), "version", raw.get("version"), VERSION)
    try:
        decisions = msgspec.convert(raw, Decisions)
    except msgspec.ValidationError as error:
        raise ShootError(f"{path}: {explained(str(error), raw)}", _EDIT) from error
    _check_together(path, decisions)
    return _with_glasses(decisions, lambda file: str(path.parent.absolute() / file))


def save(path: Path, decisions: Decisions) -> None:
    """Write `decisions` to `path`; comments and order of a file that is there already are kept.

    Raises ShootError if the file there cannot be understood, or cannot be written.
    """
    document = _document(path)
    decisions = _with_glasses(decisions, lambda file: _from(path.parent.absolute(), file))
    plain = {**msgspec.to_builtins(decisions), "sources": list(decisions.sources), "pair": decisions.pair}
    stations, moved = plain.pop("stations"), plain.pop("moved")
    del plain["retouches"]
    _update(document, plain)
    _update_moved(document, moved)
    _update_stations(document, stations)
    _update_retouches(document, decisions.retouches)
    text = tomlkit.dumps(document)
    if _converted(text) != decisions:  # rather refuse than lose what somebody wrote by hand
        raise ShootError(f"{path}: cannot be changed without losing what was edited in it.", _START_AGAIN)
    try:
        write_whole(path, text.encode())
    except UnicodeEncodeError as error:
        raise ShootError(f"{path}: a name in it is not valid text ({error.object!r}).", _RENAME) from error


def _with_glasses(decisions: Decisions, named: Callable[[str], str]) -> Decisions:
    """The same with the name of a calibration file of glasses, if there is one, as `named` has it."""
    colour = decisions.colour
    if not colour.glasses.endswith(GLASSES_SUFFIX):
        return decisions
    return replace(decisions, colour=replace(colour, glasses=named(colour.glasses)))


def _from(folder: Path, file: str) -> str:
    """A file below a folder as it is named from there, so that the folder may be moved; else as it is."""
    path = Path(file)
    return path.relative_to(folder).as_posix() if path.is_relative_to(folder) else file


_EDIT = "Correct it with any text editor, or delete the line to get the default."
_START_AGAIN = "Write every table under its own [heading], as in a new shoot, or move the file away."
_RENAME = "Rename the folder or file so that its name holds ordinary letters."


def _text(path: Path) -> str:
    try:
        if path.stat().st_size > _MAX_BYTES:
            raise ShootError(f"{path}: larger than {_MAX_BYTES >> 20} MB.", "Put the file of the shoot back.")
        return path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError as error:
        raise ShootError(
            f"{path}: there is no such file.", "Begin the shoot with `nearpair make`."
        ) from error
    except OSError as error:
        raise ShootError(f"{path}: cannot be read ({error.strerror}).", "Check its permissions.") from error
    except UnicodeDecodeError as error:
        raise ShootError(f"{path}: is not UTF-8 text ({error.reason}).", "Save it as UTF-8.") from error


def _parsed(path: Path, text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise ShootError(f"{path}: is not valid TOML: {error}.", _EDIT) from error


def _converted(text: str) -> Decisions | None:
    try:
        return msgspec.convert(tomllib.loads(text), Decisions)
    except (tomllib.TOMLDecodeError, msgspec.ValidationError):
        return None


def _check_together(path: Path, decisions: Decisions) -> None:
    names = [station.name for station in decisions.stations]
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise ShootError(f"{path}: [[stations]] name: expected each once, found {twice!r} again.", _EDIT)
    if decisions.pair and len(set(decisions.pair)) != 2:
        found = f"pair: expected two different stations or none, found {list(decisions.pair)!r}"
        raise ShootError(f"{path}: {found}.", _EDIT)
    if decisions.left and decisions.left == decisions.right:
        found = f"left and right: expected two stations, found {decisions.left!r} for both eyes"
        raise ShootError(f"{path}: {found}.", _EDIT)


def _document(path: Path) -> tomlkit.TOMLDocument:
    if not path.exists():
        return tomlkit.parse(NEW_SHOOT)
    text = _text(path)
    _parsed(path, text)
    try:
        return tomlkit.parse(text)
    except TOMLKitError as error:
        raise ShootError(f"{path}: is not valid TOML: {error}.", _EDIT) from error


def _update(table: Any, plain: Mapping[str, Any]) -> None:
    for key, value in plain.items():
        if value is None:  # TOML has no null: what is not known is not written
            if key in table:
                del table[key]
        elif isinstance(value, Mapping):
            if key not in table:
                table[key] = tomlkit.table()
            _update(table[key], value)
        elif key not in table or _value(table[key]) != value:
            table[key] = list(value) if isinstance(value, tuple) else value


def _update_moved(document: tomlkit.TOMLDocument, moved: Mapping[str, str]) -> None:
    present = document.get("moved", {})
    for gone in [file for file in present if file not in moved]:
        del present[gone]
    if moved:
        _update(document, {"moved": moved})


def _update_stations(document: tomlkit.TOMLDocument, stations: list[dict[str, Any]]) -> None:
    present = list(document.get("stations", []))
    known = {_value(item["name"]): item for item in present}
    if [_value(item["name"]) for item in present] != [station["name"] for station in stations]:
        document.pop("stations", None)
        if stations:
            document["stations"] = tomlkit.aot()
            for station in stations:
                document["stations"].append(known.get(station["name"], tomlkit.table()))
    for item, station in zip(document.get("stations", []), stations, strict=True):
        _update(item, station)


def _update_retouches(document: tomlkit.TOMLDocument, wanted: tuple[Retouch, ...]) -> None:
    known = [(_retouch(item), item) for item in document.get("retouches", [])]
    if [retouch for retouch, _ in known] == list(wanted):
        return
    document.pop("retouches", None)
    if wanted:
        document["retouches"] = tomlkit.aot()
        for retouch in wanted:
            kept = next((item for found, item in known if found == retouch), None)
            document["retouches"].append(_table_of(retouch) if kept is None else kept)


def _retouch(item: Any) -> Retouch | None:
    try:
        return msgspec.convert(item.unwrap(), Retouch)
    except msgspec.ValidationError:
        return None


def _table_of(retouch: Retouch) -> Any:
    table = tomlkit.table()
    plain = msgspec.to_builtins(retouch)
    if not retouch.on:
        del plain["on"]
    for key, value in {**plain, "points": [list(point) for point in retouch.points]}.items():
        table[key] = value
    return table


def _value(item: Any) -> Any:
    value = item.unwrap() if hasattr(item, "unwrap") else item
    return tuple(value) if isinstance(value, list) else value
