"""How numbers are phrased for people."""


def percent(share: float, digits: int = 0) -> str:
    """Phrase a share as a percentage: 0.031 is "3 %", with one digit "3.1 %"."""
    return f"{100 * share:.{digits}f} %"
