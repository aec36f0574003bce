"""Plain sentences for what is wrong in a `shoot.toml`: the key, what was expected, what was found."""

import re
from typing import Any

_PATH = re.compile(r"`\$((?:\.\w+|\[[0-9]+\])*)`$")
_UNKNOWN = re.compile(r"unknown field `(.*?)`")
_MISSING = re.compile(r"missing required field `(.*?)`")

_EXPECTED = {
    "version": "1, the only version this program knows",
    "sources": "a list of folders, each in quotes",
    "left": 'the name of a station or folder in quotes, or ""',
    "right": 'the name of a station or folder in quotes, or ""',
    "strict": "true or false",
    "pair": 'two names of stations or folders in quotes, ["...", "..."], or []',
    "moved": 'lines such as "DSC_0123.jpg" = "station-2"',
    "stations": "tables that begin with [[stations]]",
    "stations.name": "a name in quotes",
    "stations.order": '"auto", "far-to-near" or "near-to-far"',
    "stations.kind": '"auto", "rail" or "ring"',
    "retouches": "at most 200 tables that begin with [[retouches]]",
    "retouches.station": "the name of a station in quotes",
    "retouches.frame": "the name of a file in quotes",
    "retouches.radius_px": "a radius in px, 0.5 to 10000",
    "retouches.points": "1 to 200 points [[x, y], ...] in px of the station's view",
    "retouches.eyes": '"both" or "one"',
    "mounting": "a table [mounting]",
    "mounting.window": '"auto", "near", "far" or a point [x, y] in px',
    "mounting.aspect": '"auto" or width to height such as "4:3"',
    "mounting.crop": '"auto" or [x, y, width, height] in px, at least 32 wide and high',
    "mounting.floating": '"auto" or "never"',
    "mounting.base_share": "a share of the stereo base as shot, above 0 and at most 1",
    "mounting.lens": '"auto", "never" or the name of a lens',
    "mounting.light": '"auto", "even" or "as-shot"',
    "viewing": "a table [viewing]",
    "viewing.screen_width_mm": "a width of 1 mm to 1 km",
    "viewing.distance_mm": "a distance of 10 mm to 1 km",
    "viewing.eyes_mm": "the distance of the pupils, 40 to 80 mm",
    "colour": "a table [colour]",
    "colour.glasses": "the name of the glasses or of a calibration file, in quotes",
    "colour.method": '"colour", "half-colour", "grey", "least-squares", "local-desaturation", "cielab" or '
    '"matched"',
}


def explained(error: str, raw: Any) -> str:
    """Return the sentence for a validation error of msgspec (`error`) about the parsed file `raw`."""
    where = _PATH.search(error)
    steps = re.findall(r"\w+", where[1]) if where else []
    if unknown := _UNKNOWN.search(error):
        known = ", ".join(_keys_below(steps))
        return f"{_shown_key([*steps, unknown[1]])}: there is no such key; expected one of {known}."
    if missing := _MISSING.search(error):
        return (
            f"{_shown_key([*steps, missing[1]])}: expected {_expected([*steps, missing[1]])}, found nothing."
        )
    return f"{_shown_key(steps)}: expected {_expected(steps)}, found {_found(raw, steps)}."


def _names(steps: list[str]) -> list[str]:
    return [step for step in steps if not step.isdigit()]


def _expected(steps: list[str]) -> str:
    return _EXPECTED.get(".".join(_names(steps)), "something else")


def _keys_below(steps: list[str]) -> list[str]:
    above = "".join(f"{name}." for name in _names(steps))
    return [key[len(above) :] for key in _EXPECTED if key.startswith(above) and "." not in key[len(above) :]]


def _shown_key(steps: list[str]) -> str:
    """Name a key as it is seen in the file."""
    names = _names(steps)
    if len(names) < 2:
        return names[0] if names else "the file"
    if names[0] in ("stations", "retouches"):
        return f"[[{names[0]}]] number {int(steps[1]) + 1}: {names[1]}"
    return f"[{names[0]}] {names[1]}"


def _found(raw: Any, steps: list[str]) -> str:
    value = raw
    for step in steps:
        value = value[int(step) if isinstance(value, list | tuple) else step]
    shown = {True: "true", False: "false"}[value] if isinstance(value, bool) else repr(value)
    return shown if len(shown) <= 60 else f"{shown[:57]}..."
