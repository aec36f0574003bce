"""Decisions given now put into those that a shoot has, and kept in its shoot.toml."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from hashlib import blake2b
from typing import Any, Literal

import msgspec

from nearpair.errors import ShootError
from nearpair.shoot.decisions import Decisions, Retouch, load, save
from nearpair.shoot.explain import explained
from nearpair.shoot.folder import ShootFolder
from nearpair.shoot.glassesfile import glasses_named

_PARTS = ("mounting", "adjust", "capture", "viewing", "colour")
_WHOLE = ("strict", "moved", "retouches")


@dataclass(frozen=True, slots=True)
class Overrides:
    """Decisions given now; None leaves what shoot.toml says. Given ones are written into shoot.toml."""

    left: str | None = None
    right: str | None = None
    pair: tuple[str, ...] | None = None
    window: Literal["auto", "near", "far"] | tuple[float, float] | None = None
    aspect: str | None = None
    crop: Literal["auto"] | tuple[int, int, int, int] | None = None
    floating: Literal["auto", "never"] | None = None
    base_share: float | None = None
    lens: str | None = None
    light: str | None = None
    screen_width_mm: float | None = None
    distance_mm: float | None = None
    eyes_mm: float | None = None
    glasses: str | None = None
    method: str | None = None
    strict: bool | None = None
    moved: Mapping[str, str] | None = None
    base_mm: float | None = None
    step_mm: float | None = None
    field_width_mm: float | None = None
    sensor_width_mm: float | None = None
    focal_mm: float | None = None
    shift_px: float | None = None
    raise_px: float | None = None
    turn_deg: float | None = None
    scale: float | None = None
    retouches: tuple[Retouch, ...] | None = None


NOTHING = Overrides()
"""Everything stays as it is."""


def revision_of(folder: ShootFolder) -> str:
    """What stands for the present text of shoot.toml. Raises ShootError if it cannot be read."""
    try:
        return blake2b(folder.toml.read_bytes(), digest_size=8).hexdigest()
    except OSError as error:
        raise ShootError(f"{folder.toml}: cannot be read ({error.strerror}).", "Put it back.") from error


class ChangedMeanwhileError(ShootError):
    """Somebody else changed the decisions since they were read."""


def decide(folder: ShootFolder, overrides: Overrides, revision: str | None = None) -> Decisions:
    """Put decisions into shoot.toml and return them all; nothing is run.

    revision: of the decisions that the change was made on, see `revision_of`; if they were changed since,
    raises ChangedMeanwhileError and changes nothing. Raises ShootError for what cannot be decided.
    """
    if revision is not None and revision != revision_of(folder):
        found = f"{folder.toml}: was changed meanwhile, by hand or on another page."
        raise ChangedMeanwhileError(found, "Look at what is decided now, and decide again.")
    decisions = load(folder.toml)
    changed = with_overrides(decisions, overrides)
    glasses_named(changed.colour.glasses)  # are they known?
    if changed != decisions:
        save(folder.toml, changed)
    return changed


def with_overrides(decisions: Decisions, overrides: Overrides) -> Decisions:
    """The decisions with the given overrides put in, as shoot.toml will give them back.

    Raises ShootError for values that shoot.toml could not hold.
    """
    raw = msgspec.to_builtins(_put_in(decisions, overrides))
    try:
        return msgspec.convert(raw, Decisions)
    except msgspec.ValidationError as error:
        message = f"This cannot be decided: {explained(str(error), raw)}"
        raise ShootError(message, "Give another value.") from error


def _put_in(decisions: Decisions, overrides: Overrides) -> Decisions:
    """Each given value goes into the part of the decisions that has a field of its name."""
    given = {name: value for name, value in asdict(overrides).items() if value is not None}
    paired = _paired(decisions, overrides)
    changed: dict[str, Any] = {name: _replaced(getattr(paired, name), given) for name in _PARTS}
    changed |= {name: given[name] for name in _WHOLE if name in given}
    return msgspec.structs.replace(paired, **changed)


def _paired(decisions: Decisions, overrides: Overrides) -> Decisions:
    """The decisions with pair and eyes put in; what was decided about another pair before is dropped."""
    left, right, pair = decisions.left, decisions.right, decisions.pair
    if overrides.pair is not None:
        pair = overrides.pair
        if pair and len(set(pair)) != 2:
            raise ShootError("A pair is two different stations.", "Name two, or none to have them chosen.")
        if not {left, right} - {""} <= set(pair):
            left = right = ""
    elif overrides.left is not None and overrides.right is not None:
        pair = ()  # both eyes are a pair already
    left = left if overrides.left is None else overrides.left
    right = right if overrides.right is None else overrides.right
    return msgspec.structs.replace(decisions, left=left, right=right, pair=pair)


def _replaced(part: msgspec.Struct, given: Mapping[str, object]) -> msgspec.Struct:
    changes = {name: given[name] for name in part.__struct_fields__ if name in given}
    return msgspec.structs.replace(part, **changes) if changes else part
