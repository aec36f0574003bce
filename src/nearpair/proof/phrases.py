"""How numbers are phrased for people."""

import math


def percent(share: float, digits: int = 0) -> str:
    """Phrase a share as a percentage: 0.031 is "3 %", with one digit "3.1 %".

    What is not all is never called 100 %, and what is not nothing never 0 %: "over 99 %", "under 1 %".
    """
    text, least = f"{100 * share:.{digits}f}", f"{10**-digits:.{digits}f}"
    if share < 1 and float(text) >= 100:
        return f"over {100 - 10**-digits:.{digits}f} %"
    if share > 0 and float(text) == 0:
        return f"under {least} %"
    return f"{text} %"


def with_error(value: float, error: float) -> tuple[str, str]:
    """Phrase a length and how far it may be off, to the first digit of that: 6.083, 0.12 is "6.1", "0.1"."""
    digits = max(0, -math.floor(math.log10(error))) if error > 0 else 3
    return f"{value:.{digits}f}", f"{error:.{digits}f}"


def amount(value: float | None) -> str:
    """Phrase a measure with one digit below 100, none above; "not known" for None."""
    if value is None:
        return "not known"
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:.1f}"
