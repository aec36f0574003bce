"""Advice from how the pair was shot and sorted: eyes, stacks, files set aside.

Each rule looks at one measurement of the proof and yields what it found. Rules that look at stations look at
the two of the pair only. Thresholds without a source named beside them are a choice of this project.
"""

from collections.abc import Iterator

from nearpair.proof.model import FocusGap, Proof, Station
from nearpair.proof.model_advice import Finding, Severity
from nearpair.proof.model_capture import SpoiltFrame
from nearpair.proof.phrases import percent

EYES_SURE = 0.8
ORDER_SURE = 0.6
COVERED_ENOUGH = 0.85
GAP_UNSHARP_CARE, GAP_UNSHARP_REWORK = 0.002, 0.02
GAP_WIDTH_REWORK_STEPS = 1.8
FRAME_UNSHARP_NOTED, FRAME_UNSHARP_REWORK = 0.02, 0.35
SET_ASIDE_MANY = 0.10
MATCHED_ENOUGH = 0.3


def _pair_stations(proof: Proof) -> list[Station]:
    return [station for station in proof.stations if station.name in (proof.eyes.left, proof.eyes.right)]


def eyes(proof: Proof) -> Iterator[Finding]:
    """Contradicting or weak evidence for which station is the left eye; folder names against the evidence."""
    found = proof.eyes
    swap = f"`nearpair make SOURCE --to SHOOT --left {found.right} --right {found.left}`"
    keep = f"`nearpair make SOURCE --to SHOOT --left {found.left} --right {found.right}`"
    measured = f"{found.left} is the left eye with confidence {found.confidence:.2f}"
    if found.contradiction:
        yield Finding(
            code="eyes-contradiction",
            severity="rework",
            text="The signs of which view belongs to which eye contradict each other: "
            f"{found.contradiction}.",
            remedy="Look at the pair: what is near must stand in front. If it stands behind: "
            f"{swap}. If not: {keep}.",
            measured=measured,
        )
    elif found.confidence < EYES_SURE:
        yield Finding(
            code="eyes-uncertain",
            severity="care",
            text="It is not certain which view belongs to which eye.",
            remedy=f"Look at the pair: what is near must stand in front. If it stands behind: {swap}.",
            measured=measured,
        )
    yield from _swapped_folders(proof)


def _swapped_folders(proof: Proof) -> Iterator[Finding]:
    found = proof.eyes
    names = [
        cue for cue in found.evidence if "name" in cue.cue and cue.left == found.right and cue.weight > 0
    ]
    if names and not found.contradiction:
        yield Finding(
            code="eyes-swapped-folders",
            severity="care",
            text=f"The names say that {found.right} is the left eye, but the pictures say it is "
            f"{found.left}. The pictures were believed.",
            remedy=f"Rename the folders, or keep to the names with `nearpair make SOURCE --to SHOOT "
            f"--left {found.right} --right {found.left}`.",
            measured=f"confidence {found.confidence:.2f}",
        )


def gaps(proof: Proof) -> Iterator[Finding]:
    """Slices missing from a stack: places where neighbouring frames do not meet."""
    for station in _pair_stations(proof):
        for gap in station.focus.gaps:
            # what a shaken frame should have shown looks like a slice that is missing; it is told by itself
            if not any(lies_beside(gap, fault) for fault in station.spoilt):
                yield _gap(station, gap)


def lies_beside(gap: FocusGap, fault: SpoiltFrame) -> bool:
    """Whether a gap is where a shaken frame is."""
    return fault.kind == "shaken" and gap.after_frame - 1 <= fault.frame <= gap.after_frame + 2


def _gap(station: Station, gap: FocusGap) -> Finding:
    following = gap.after_frame + 1
    names = station.frames[gap.after_frame : following + 1]
    measured = [] if gap.width_steps is None else [f"{gap.width_steps:.1f} usual steps wide"]
    if gap.unsharp_fraction is not None:
        measured.append(f"{percent(gap.unsharp_fraction, 1)} of the view is not sharp there")
    return Finding(
        code="missing-slice",
        severity=_gap_severity(gap),
        text=f"A slice of focus is missing in {station.name}, between frames {gap.after_frame + 1} and "
        f"{following + 1} ({' and '.join(names)}): neither shows what lies between them sharp.",
        remedy="If the subject still stands, shoot the missing frames again from the same station and run "
        "`nearpair make` again. Next time take steps no larger than the others of this stack.",
        measured=", ".join(measured),
    )


def _gap_severity(gap: FocusGap) -> Severity:
    """By the share of the view that it leaves unsharp or, where that is not known, by its width."""
    if gap.unsharp_fraction is None:
        return "rework" if (gap.width_steps or 0.0) >= GAP_WIDTH_REWORK_STEPS else "care"
    if gap.unsharp_fraction >= GAP_UNSHARP_REWORK:
        return "rework"
    return "care" if gap.unsharp_fraction >= GAP_UNSHARP_CARE else "note"


def stack_ends(proof: Proof) -> Iterator[Finding]:
    """Stacks that begin or end while the subject is still in focus."""
    for station in _pair_stations(proof):
        if station.kind == "single":
            continue
        for flag, code, word in (
            (station.focus.starts_sharp, "stack-starts-late", "first"),
            (station.focus.ends_sharp, "stack-ends-early", "last"),
        ):
            if flag:
                yield _stack_end(station, code, word)


def _stack_end(station: Station, code: str, word: str) -> Finding:
    far_side = (station.order == "far-to-near") == (word == "first")
    side = {"unknown": "one end"}.get(station.order, "the far side" if far_side else "the near side")
    shares = station.focus.share_per_frame
    share = shares[0 if word == "first" else -1] if shares else None
    return Finding(
        code=code,
        severity="care",
        text=f"The {word} frame of {station.name} is already sharp on much of the subject: the "
        f"stack may lack frames on {side}.",
        remedy=f"Look at {side} of the picture. If it is not sharp, add frames there: "
        f"{'begin' if word == 'first' else 'end'} the stack where nothing is sharp.",
        measured="" if share is None else f"{percent(share, 1)} of the view is sharpest in the {word} frame",
    )


def coverage(proof: Proof) -> Iterator[Finding]:
    """Stacks that leave much of the picture unsharp, without a gap that explains it."""
    for station in _pair_stations(proof):
        focus = station.focus
        if station.kind != "single" and focus.covered_fraction < COVERED_ENOUGH:
            yield Finding(
                code="unsharp-parts",
                severity="note",
                text=f"Part of {station.name} is sharp in no frame. For a plain background that is "
                "as it should be.",
                remedy="If the subject itself is unsharp there, begin the next stack before, and end it "
                "after, the last sharp thing.",
                measured=f"{percent(focus.covered_fraction)} of the view is sharp in some frame",
            )


def single_frames(proof: Proof) -> Iterator[Finding]:
    """Say what depth of field cost the stations of one frame."""
    for station in _pair_stations(proof):
        unsharp = station.depth_of_field.unsharp_fraction if station.depth_of_field else None
        if unsharp is None or unsharp < FRAME_UNSHARP_NOTED:
            continue
        yield Finding(
            code="single-frame-unsharp",
            severity="rework" if unsharp >= FRAME_UNSHARP_REWORK else "care",
            text=f"{station.name} is a single frame, and its depth of field does not reach through "
            "the subject.",
            remedy="Shoot a focus stack for each eye, in steps that let the sharp zones overlap.",
            measured=f"{percent(unsharp)} of the textured picture is not sharp",
        )


def order(proof: Proof) -> Iterator[Finding]:
    """Stacks whose shooting order is not certain."""
    for station in _pair_stations(proof):
        if station.kind != "single" and station.order_confidence < ORDER_SURE:
            yield Finding(
                code="order-uncertain",
                severity="note",
                text=f"It is not certain whether {station.name} was shot from far to near or from "
                "near to far.",
                remedy="The merged view does not depend on it; a focus map read as depth would be "
                "turned round.",
                measured=f"{station.order} with confidence {station.order_confidence:.2f}",
            )


def set_aside(proof: Proof) -> Iterator[Finding]:
    """Files that were not used, but for those whose exposure is used from another file."""
    missed = [file for file in proof.set_aside if not file.doubled]
    if not missed:
        return
    used = sum(len(station.frames) for station in proof.stations)
    number = len(missed)
    first = missed[0]
    more = f" and {number - 1} more" if number > 1 else ""
    yield Finding(
        code="set-aside",
        severity="care" if number > SET_ASIDE_MANY * (used + number) else "note",
        text=f"Files were set aside: {first.file}{more}. {first.reason}",
        remedy="Nothing to do if they do not belong to this picture. Otherwise copy them from the "
        "card again, or shoot them again, and run `nearpair make` again.",
        measured=f"{number} of {used + number} files",
    )


def matching(proof: Proof) -> Iterator[Finding]:
    """Pairs of which little could be matched: everything measured then rests on little."""
    known = proof.depth.known_share
    if proof.depth.near_px is None:
        yield Finding(
            code="depth-unknown",
            severity="rework",
            text="No point of one view was found again in the other: depth could not be measured.",
            remedy="Check that both stations show the same subject, lit alike, from places close together.",
            measured="parallax known for no pixel",
        )
    elif known < MATCHED_ENOUGH:
        yield Finding(
            code="depth-mostly-unknown",
            severity="care",
            text="Depth could be measured in a small part of the picture only; the other measures "
            "rest on that part.",
            remedy="Light the subject from the side, so that its surface shows, and look at the pair itself.",
            measured=f"parallax known for {percent(known)} of the pixels",
        )
