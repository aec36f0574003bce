"""What was found, in words for people: the summary after a command. Numbers are rounded and phrased here."""

import shlex
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from nearpair.cli import fix_words, pair_words
from nearpair.cli.lines import GOOD, LOUD, WEAK, Line
from nearpair.proof.model import Eyes, LensProfile, Metric, Mounting, Proof, SetAside, Station
from nearpair.proof.model_advice import Finding
from nearpair.proof.model_look import Comfort, Depth
from nearpair.proof.phrases import with_error

SURE_ENOUGH = 0.75
"""Below this confidence the summary says loudly how to decide which view belongs to which eye."""
SHOWN_AT_MOST = 3
CAUTION = (
    "Look at it for a short while first, and stop if your head aches, your eyes sting or you see double."
)

if TYPE_CHECKING:
    from nearpair.shoot.run import Look

_VERDICT_STYLES = {"ready": GOOD, "with care": "bold yellow", "rework": LOUD}


def sentence(text: str) -> str:
    """Begin with a capital letter."""
    return text[:1].upper() + text[1:]


def sure(confidence: float) -> str:
    """Phrase a confidence: 0.97 is "97 % sure"; nothing below 1 is called 100 %."""
    percent = min(99, round(100 * confidence)) if confidence < 1 else 100
    return f"{percent} % sure"


def frames(number: int) -> str:
    """Phrase a number of frames."""
    return "1 frame" if number == 1 else f"{number} frames"


def stations(found: Iterable[Station], aside: list[SetAside]) -> Iterator[Line]:
    """Say what each station holds, and which files were not used."""
    label = "Stations"
    for station in found:
        yield Line(label, _station(station))
        label = ""
    for item in aside[:SHOWN_AT_MOST]:
        yield Line("", f"set aside: {item.file} ({item.reason})", WEAK)
    if len(aside) > SHOWN_AT_MOST:
        yield Line("", f"and {len(aside) - SHOWN_AT_MOST} more were set aside", WEAK)


def _station(station: Station) -> str:
    count = frames(len(station.frames))
    names = f" ({station.frames[0]} to {station.frames[-1]})" if len(station.frames) > 1 else ""
    if station.kind == "single":
        return f"{station.name}: {count}, a single frame and no stack"
    order = "order unknown" if station.order == "unknown" else station.order.replace("-", " ")
    return f"{station.name}: {count}{names}, {station.kind} stack, {order}, {sure(station.order_confidence)}"


def eyes(found: Eyes) -> Iterator[Line]:
    """Say which station is which eye, and loudly what is doubtful about it and how to decide."""
    yield Line("Eyes", f"left eye {found.left}, right eye {found.right}, {sure(found.confidence)}")
    if found.contradiction:
        yield Line("", f"CONTRADICTION: {sentence(found.contradiction)}", LOUD)
    if found.confidence < SURE_ENOUGH:
        yield Line("", "NOT CERTAIN which view belongs to which eye.", LOUD)
    if found.contradiction or found.confidence < SURE_ENOUGH:
        yield Line("", how_to_decide(found), LOUD)


def how_to_decide(found: Eyes) -> str:
    """Say how to tell swapped eyes, and what to give to decide."""
    return (
        "Look at the finished anaglyph through the glasses: what is near must stand in front. If it does, "
        f"--left {found.left} --right {found.right} settles it; if it stands behind, use "
        f"--left {found.right} --right {found.left}."
    )


def depth(found: Depth) -> Line:
    """Say how deep the picture is, in px and as a share of its width."""
    if found.near_px is None or found.far_px is None or found.deviation_px is None:
        return Line("Depth", "could not be measured", LOUD)
    share = found.deviation_fraction_of_width
    width = "" if share is None else f", {100 * share:.1f} % of the width"
    return Line(
        "Depth",
        f"{found.deviation_px:.1f} px from near to far{width} "
        f"(near {found.near_px:+.1f} px, far {found.far_px:+.1f} px; minus is in front of the window)",
    )


def in_mm(found: Metric | None) -> Iterator[Line]:
    """Say how deep the subject is and how large a pixel is, if it is known."""
    parts = []
    if found is not None and found.range_mm is not None and found.range_error_mm is not None:
        parts.append("{} ± {} mm from near to far".format(*with_error(found.range_mm, found.range_error_mm)))
    if found is not None and found.window_mm_per_px is not None:
        parts.append(f"a pixel shows {found.window_mm_per_px:.3g} mm in the plane of the window")
    if parts:
        yield Line("In mm", "; ".join(parts))


def comfort(found: Comfort) -> Line:
    """Say whether the picture can be looked at without strain under the viewing conditions."""
    seen = found.viewing
    place = f"{seen.screen_width_mm:.0f} mm wide, seen from {seen.distance_mm:.0f} mm"
    if found.near_arcmin is None or found.far_arcmin is None:
        return Line("Comfort", f"could not be measured ({place})", LOUD)
    measured = (
        f"near {found.near_arcmin:+.0f}, far {found.far_arcmin:+.0f} arcmin; 60 either side is the limit"
    )
    if found.within:
        return Line("Comfort", f"comfortable {place} ({measured})")
    widest = found.largest_screen_width_mm
    instead = "" if widest is None else f"; comfortable up to {widest:.0f} mm wide"
    return Line("Comfort", f"too deep {place} ({measured}){instead}", LOUD)


def window(done: Mounting) -> Iterator[Line]:
    """Say where the window stands and what was kept, and by which rules."""
    if done.window_rule:
        yield Line("Window", sentence(done.window_rule))
        yield Line("Crop", f"{done.crop_px[2]} x {done.crop_px[3]} px: {done.crop_rule}")
    if done.lens is not None:
        yield _lens(done.lens)
    yield from _light(done)
    if done.base_share != 1:
        share = f"{100 * done.base_share:.0f} % of the stereo base that was shot"
        yield Line("Base", f"{share}: the right eye's picture was reckoned")
    if any(done.floating_px):
        left, right = done.floating_px
        yield Line("", f"floating window: the outputs have masks, {left} px left and {right} px right")


def _light(done: Mounting) -> Iterator[Line]:
    """Say by how much the views differed in light, where that was evened."""
    light = done.light
    if light is not None and light.evened and light.stops is not None:
        shot = f"{abs(light.stops):.2f} stops {'darker' if light.stops < 0 else 'lighter'}"
        colour = f"{100 * (light.white_balance_shift or 0.0):.0f} % off in colour"
        yield Line("Light", f"right view {shot} as shot, {colour}; {light.note}")


def _lens(done: LensProfile) -> Line:
    if done.name is None:
        return Line("Lens", f"Distortion {done.note}")
    taken = f"up to {done.largest_px:.1f} px of distortion taken out, " if done.taken_out else ""
    return Line("Lens", f"{done.name}: {taken}{done.note}")


def advice(findings: list[Finding], shoot: Path) -> Iterator[Line]:
    """Give the most serious advice, with what to do; commands in it name this shoot."""
    label = "Advice"
    for finding in findings[:SHOWN_AT_MOST]:
        remedy = finding.remedy.replace("SHOOT", shlex.quote(str(shoot)))
        yield Line(label, f"{finding.severity}: {sentence(finding.text)} {remedy}")
        label = ""
    if len(findings) > SHOWN_AT_MOST:
        yield Line("", f"and {len(findings) - SHOWN_AT_MOST} more in the proof", WEAK)


def proof(found: Proof, shoot: Path, anaglyph: Path, page: Path) -> list[Line]:
    """Return the summary of a finished shoot and the paths of what to look at."""
    return [
        *stations(found.stations, found.set_aside),
        *eyes(found.eyes),
        *pair_words.table(found.candidates),
        depth(found.depth),
        *in_mm(found.metric),
        comfort(found.comfort),
        *window(found.mounting),
        Line("Verdict", found.verdict, _VERDICT_STYLES[found.verdict]),
        *advice(found.advice, shoot),
        *fix_words.fixed(found.fixed, shoot),
        *(Line("Note", note, WEAK) for note in found.notes),
        Line("Glasses", f"{found.colour.glasses}, colours mixed by {found.colour.method}"),
        Line("Anaglyph", str(anaglyph), whole=True),
        Line("Proof", str(page), whole=True),
        Line("", CAUTION, WEAK),
    ]


def look(found: "Look") -> list[Line]:
    """Return what is on a card."""
    several = len(found.stations) > 2
    return [
        *stations(found.stations, found.set_aside),
        *(eyes(found.eyes) if found.eyes else (Line("Eyes", "only one station: a pair needs two", LOUD),)),
        *([Line("Pair", sentence(found.pair_reason))] if several and found.pair_reason else []),
        *pair_words.table(found.candidates),
        *(Line("Note", note, WEAK) for note in found.notes),
    ]


def stage_done(made: Path, shoot: Path) -> list[Line]:
    """Say where the result of one stage lies, and how to bring the proof up to date."""
    return [
        Line("Made", str(made), whole=True),
        Line("Next", f"nearpair proof {shlex.quote(str(shoot))}   (brings the rest up to date)", whole=True),
    ]
