"""A plan in words: the summary after `nearpair plan`."""

from collections.abc import Iterator
from pathlib import Path

from nearpair.cli.lines import LOUD, WEAK, Line
from nearpair.plan import phrases
from nearpair.plan.model import Candidate, Plan
from nearpair.plan.sheet import sheet


def plan(found: Plan, written: list[Path]) -> list[Line]:
    """Return the summary of a plan and the paths of its sheets."""
    words = sheet(found, "")
    facts = dict(words.facts)
    return [
        *_base(found),
        Line("Focus", facts["Focus"]),
        *_readings(found),
        Line("Lens", f"{facts['Lens']}, {facts['Size']}; {_sharpness(found)}"),
        Line("Depth", facts["Depth seen"], "" if found.stereo.comfortable else LOUD),
        Line("Framing", f"the window's shift costs {_lost(found)}; {facts['Framing']}"),
        Line("", _toe_in(found), WEAK),
        Line("Effort", words.cost),
        *(Line("Note", note) for note in found.notes),
        *(Line("Care" if number == 0 else "", text, WEAK) for number, text in enumerate(found.cautions)),
        *(Line("Made" if number == 0 else "", str(path), whole=True) for number, path in enumerate(written)),
    ]


def _base(found: Plan) -> Iterator[Line]:
    stereo = found.stereo
    bases = [phrases.mm(base) for base in found.stations.values() if base]
    stated = " as stated" if stereo.base_given else ""
    yield Line("Base", f"{' and '.join(bases)}{stated}")
    for each in stereo.candidates:
        yield Line("", _candidate(each, decides=each.binds and not stereo.base_given), WEAK)
    for reason in stereo.thirtieth_reasons:
        yield Line("", f"one thirtieth differs: {reason}", WEAK)


def _candidate(found: Candidate, *, decides: bool) -> str:
    mark = "  <- decides" if decides else ""
    return f"{phrases.mm(found.base_mm):>8}  {found.name}: {found.why}{mark}"


def _readings(found: Plan) -> Iterator[Line]:
    """First, last and reference position of each station in the order they are shot."""
    if found.stack.kind == "single":
        return
    what = "rail" if found.stack.kind == "rail" else "focus at"
    for name, base in found.stations.items():
        rows = [each for each in found.readings if each.station == name]
        ends = f"{phrases.reading(rows[0].position_mm)} to {phrases.reading(rows[-1].position_mm)}"
        reference = next(each.number for each in rows if each.is_reference)
        numbers = f"frames {rows[0].number} to {rows[-1].number}, reference {reference}"
        yield Line("", f"{name}: sideways {phrases.reading(base)}, {what} {ends} mm ({numbers})")


def _sharpness(found: Plan) -> str:
    optics = found.optics
    chosen = "planned so" if optics.f_number_chosen else "as stated"
    blur = f"diffraction {optics.diffraction_blur_um:.0f} of {optics.passing_blur_um:.0f} um"
    depth = phrases.mm(optics.depth_of_field_mm)
    return f"{chosen}: {depth} depth of field a frame, {blur} that pass for sharp at this size"


def _lost(found: Plan) -> str:
    return f"{phrases.percent(found.stereo.lost_share)} of the frame"


def _toe_in(found: Plan) -> str:
    stereo = found.stereo
    px = "" if stereo.toe_in_keystone_px is None else f" ({stereo.toe_in_keystone_px:.1f} px)"
    share = phrases.percent(stereo.toe_in_keystone_share, 2)
    turned = f"cameras turned in by {stereo.toe_in_deg:.2g} degrees in all, instead of slid"
    return f"{turned}, would lift the corners by {share} of the frame's height{px}"
