"""Checks of single numbers at the door: every error names the parameter and what was expected."""

import math

from nearpair.errors import NearpairError


def positive(name: str, value: float, unit: str = "") -> None:
    """Raise NearpairError unless `value` is finite and above zero."""
    if not (math.isfinite(value) and value > 0):
        raise NearpairError(
            f"{name} must be a finite number above 0{unit and ' ' + unit}, found {value}.",
            "Give a measured value.",
        )


def between(name: str, value: float, lowest: float, highest: float, unit: str) -> None:
    """Raise NearpairError unless lowest <= value <= highest."""
    if not lowest <= value <= highest:
        raise NearpairError(
            f"{name} must lie between {lowest:g} and {highest:g} {unit}, found {value}.",
            "Give a value in that range.",
        )
