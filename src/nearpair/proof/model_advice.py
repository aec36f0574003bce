"""Part of the proof as data: findings, what puts them right, and what `nearpair proof --fix` did."""

from typing import Literal

import msgspec

Severity = Literal["note", "care", "rework"]
Verdict = Literal["ready", "with care", "rework"]


class Fix(msgspec.Struct, frozen=True, kw_only=True):
    """What puts a finding right without shooting again: a command, and the same as decisions.

    `decides`: keys of shoot.toml, such as "mounting.base_share", and their values.
    """

    command: str
    decides: dict[str, str | float]


class Finding(msgspec.Struct, frozen=True, kw_only=True):
    """One piece of advice: what was found, how serious, on which measurement, and what to do.

    `over`: the measure as a multiple of the limit that it passes. `fixes`: what helps without shooting again,
    the best first. `next_plan`: the command that plans the next shoot by this measurement.
    """

    code: str
    severity: Severity
    text: str
    remedy: str
    measured: str = ""
    over: float | None = None
    fixes: list[Fix] = []
    next_plan: str = ""


class Trial(msgspec.Struct, frozen=True, kw_only=True):
    """One remedy that was tried: for which finding, by which command, and what came of it, in words."""

    code: str
    command: str
    kept: bool
    why: str


class Change(msgspec.Struct, frozen=True, kw_only=True):
    """One measure before and after; null where it was not known."""

    measure: str
    unit: str
    before: float | None
    after: float | None


class Fixed(msgspec.Struct, frozen=True, kw_only=True):
    """What `nearpair proof --fix` did: its trials in order, what was decided, measures before and after."""

    verdict_before: Verdict
    verdict_after: Verdict
    advice_before: list[str]
    advice_after: list[str]
    trials: list[Trial]
    decided: dict[str, str | float]
    changes: list[Change]
