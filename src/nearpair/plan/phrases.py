"""How the numbers of a plan are phrased for people, on its sheets."""


def mm(length: float | None) -> str:
    """Phrase a length, with three digits that matter: "13 mm", "0.42 mm", "3.5 m", "infinity"."""
    if length is None:
        return "infinity"
    if abs(length) >= 1000:
        return f"{length / 1000:.3g} m"
    return f"{length:.0f} mm" if abs(length) >= 100 else f"{length:.3g} mm"


def reading(length: float | None) -> str:
    """Phrase a reading of a rail or a distance to focus on, to a hundredth or as fine as it is set."""
    if length is None:
        return "infinity"
    if abs(length) >= 1000:
        return f"{length / 1000:.2f} m"
    fine = round(length, 2) == round(length, 6)
    return f"{length:.2f}" if fine else f"{length:.3f}"


def f_number(number: float) -> str:
    """Phrase an f-number as rings are marked, in thirds of stops: 5.04 is f/5."""
    marked = min(_RING, key=lambda each: abs(each - number))
    return f"f/{marked:g}" if abs(marked / number - 1) < 0.03 else f"f/{number:.2g}"


def magnification(value: float) -> str:
    """Phrase a magnification: "0.5 x life size", "1:40"."""
    return f"{value:.3g} x life size" if value >= 0.1 else f"1:{1 / value:.3g}"


def duration(minutes: float) -> str:
    """Phrase a time: "12 min", "1 h 20 min"."""
    whole = max(1, round(minutes))
    return f"{whole} min" if whole < 60 else f"{whole // 60} h {whole % 60} min"


def megabytes(size: float) -> str:
    """Phrase a file size: "800 MB", "1.2 GB"."""
    return f"{size:.0f} MB" if size < 1000 else f"{size / 1000:.2g} GB"


def charges(share: float) -> str:
    """Phrase what a battery has to give: "13 % of a battery charge", "4.2 battery charges"."""
    return f"{percent(share)} of a battery charge" if share <= 1 else f"{share:.2g} battery charges"


def percent(share: float, digits: int = 0) -> str:
    """Phrase a share: "12 %"."""
    return f"{100 * share:.{digits}f} %"


_RING = (
    *(1, 1.1, 1.2, 1.4, 1.6, 1.8, 2, 2.2, 2.5, 2.8, 3.2, 3.5, 4, 4.5, 5, 5.6, 6.3, 7.1, 8, 9, 10, 11, 13, 14),
    *(16, 18, 20, 22, 25, 29, 32),
)
"""Numbers on rings in thirds of stops (common practice, no source)."""
