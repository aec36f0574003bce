"""Advice from faults of single frames, and from what differs between the two stacks.

Thresholds are a choice of this project, set on ray-traced shoots with planted faults (docs/measured.md).
"""

from collections.abc import Iterator

from nearpair.proof.findings_shoot import GAP_UNSHARP_REWORK, lies_beside
from nearpair.proof.model import Proof, Station
from nearpair.proof.model_advice import Finding, Severity
from nearpair.proof.model_capture import SpoiltFrame
from nearpair.proof.phrases import percent

SUBJECT_THERE = 0.01
"""A shaken frame matters where this share of the view is sharpest in it or beside it."""
COVER_BITS, ENDS = 0.3, 2
"""Complete ray-traced pairs: at most 0.1 in any twentieth; a quarter of one stack missing: 0.6 to 1."""
HIGHLIGHTS_NOTED = 0.01
HEIGHT_PX, HEIGHT_OF_WIDTH = 2.0, 0.001


def _pair_stations(proof: Proof) -> list[Station]:
    return [station for station in proof.stations if station.name in (proof.eyes.left, proof.eyes.right)]


def spoilt(proof: Proof) -> Iterator[Finding]:
    """Find shaken frames, and frames shot twice."""
    for station in _pair_stations(proof):
        for fault in station.spoilt:
            yield _shaken(station, fault) if fault.kind == "shaken" else _repeated(station, fault)


def _shaken(station: Station, fault: SpoiltFrame) -> Finding:
    shares = station.focus.share_per_frame[max(0, fault.frame - 1) : fault.frame + 2]
    beside = [gap for gap in station.focus.gaps if lies_beside(gap, fault)]
    unsharp = max((gap.unsharp_fraction or 0.0 for gap in beside), default=0.0)
    serious: Severity = "care" if sum(shares) >= SUBJECT_THERE else "note"
    left = "" if fault.detail_left is None else f"{percent(fault.detail_left)} of the expected detail is left"
    way = "" if fault.direction_deg is None else f", blurred along {fault.direction_deg:.0f} degrees"
    return Finding(
        code="shaken-frame",
        severity="rework" if unsharp >= GAP_UNSHARP_REWORK else serious,
        text=f"Frame {fault.frame + 1} of {station.name} ({station.frames[fault.frame]}) is shaken: what is "
        "sharp in it alone is blurred in the view.",
        remedy="If the subject still stands, shoot that frame again from the same station and run `nearpair "
        "make` again. Next time wait longer after each move, and release without touching the camera.",
        measured=f"{left}{way}",
    )


def _repeated(station: Station, fault: SpoiltFrame) -> Finding:
    return Finding(
        code="repeated-frame",
        severity="note",
        text=f"Frame {fault.frame + 1} of {station.name} ({station.frames[fault.frame]}) shows the same as "
        "the one before it: the focus did not move between them.",
        remedy="Nothing to do for this picture. If it was not on purpose, look for play in the rail, and "
        "whether the slice that should have been there is missing.",
        measured="the two frames differ by little more than their noise",
    )


def moved(proof: Proof) -> Iterator[Finding]:
    """Find a part of the subject that moved between the stacks."""
    found = proof.local_shifts
    if found is None or found.moved_px is None or found.box_px is None:
        return
    x, y, width, height = found.box_px
    aside, down = found.moved_px
    yield Finding(
        code="subject-moved",
        severity="care",
        text="Part of the subject moved between the stacks: the right eye has it elsewhere than depth "
        "explains, so it cannot be fused there.",
        remedy="Shoot both stations again, quickly one after the other, without touching the table; keep "
        "wind, warmth and water from what can droop. Or crop that part away.",
        measured=f"{aside:+.1f} px aside and {down:+.1f} px down, around columns {x} to {x + width}, rows "
        f"{y} to {y + height}",
    )


def cover(proof: Proof) -> Iterator[Finding]:
    """Find stacks of which one reaches farther than the other."""
    parts = proof.capture.sharpness_by_depth
    if not parts:
        return
    for end, side in ((parts[:ENDS], "near"), (parts[-ENDS:], "far")):
        bits = sum(end) / len(end)
        if abs(bits) < COVER_BITS:
            continue
        eye, lacking = ("right", proof.eyes.right) if bits < 0 else ("left", proof.eyes.left)
        yield Finding(
            code="stacks-cover-differently",
            severity="care",
            text=f"The stacks do not reach equally far: at the {side} end the {eye} eye's view is less sharp "
            "than the other.",
            remedy=f"Shoot {lacking} again with frames up to the {side} end of the subject; both stations "
            "need the same focus steps from the same start to the same end.",
            measured=f"at the {side} end {2 ** abs(bits):.1f} times as much fine detail for the other eye",
        )


def dust(proof: Proof) -> Iterator[Finding]:
    """Find dust on the sensor."""
    if not proof.dust_px:
        return
    number = len(proof.dust_px)
    x, y = proof.dust_px[0]
    yield Finding(
        code="sensor-dust",
        severity="note",
        text=f"There is dust on the sensor: {'a dark speck stays' if number == 1 else 'dark specks stay'} in "
        "place in all frames of both stations. In the pair each becomes a dark dot or trail that floats at a "
        "depth of its own.",
        remedy="Clean the sensor before the next shoot. Look for trails around the marked places, and "
        "retouch them in both pictures.",
        measured=f"{number} in the frames of both stations, the surest at column {x}, row {y}",
    )


def camera_height(proof: Proof) -> Iterator[Finding]:
    """Find a height difference of the cameras that mounting took out."""
    done, limit = proof.mounting.vertical_px, max(HEIGHT_PX, HEIGHT_OF_WIDTH * proof.picture.width_px)
    if abs(done) < limit:
        return
    way = "lower" if done < 0 else "higher"
    yield Finding(
        code="camera-height",
        severity="note",
        text=f"The right view stood {abs(done):.1f} px {way} than the left one. Mounting took it out.",
        remedy="Nothing to do for this picture; next time check that the sideways rail lies level with the "
        "camera, for every pixel of height is lost at the top and bottom.",
        measured=f"{done:+.2f} px",
    )


def highlights(proof: Proof) -> Iterator[Finding]:
    """Find reflections that glitter because each eye has them elsewhere."""
    share = proof.capture.highlights_one_eye_share or 0.0
    if share < HIGHLIGHTS_NOTED:
        return
    yield Finding(
        code="highlights-one-eye",
        severity="note",
        text="Highlights are bright for one eye and missing for the other: they glitter instead of lying on "
        "the surface.",
        remedy="Next time light with a larger, softer source, or through a diffuser; a smaller base brings "
        "reflections closer together too.",
        measured=f"{percent(share, 1)} of the matched places are bright for one eye only",
    )
