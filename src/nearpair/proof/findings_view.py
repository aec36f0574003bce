"""Advice from how the mounted pair looks: comfort, relief, window, colour, height.

Each rule looks at one measurement of the proof and yields what it found. Thresholds without a source named
beside them are a choice of this project.
"""

import math
from collections.abc import Iterator

from nearpair.optics.sources import COMFORT_ONE_DEGREE_ARCMIN
from nearpair.proof.model import Proof
from nearpair.proof.model_advice import Finding, Fix
from nearpair.proof.model_look import EdgeCut
from nearpair.proof.phrases import percent
from nearpair.proof.shimmer import RIVALRY_CARE, SATURATED_CARE, SATURATED_REWORK, of_colours, shimmers

FLAT_ARCMIN = 10.0
GOOD_RANGE_ARCMIN = 40.0
CUT_NOTED, CUT_CARE, CUT_REWORK = 0.01, 0.04, 0.5
VERTICAL_CARE_RMS_PX = 1.0
VERTICAL_CARE_ARCMIN, VERTICAL_REWORK_ARCMIN = 10.0, 20.0
"""Stricter practice for vertical parallax, 10 to 20 arcmin: common practice, from memory."""
CALMER_METHODS = ("matched", "local-desaturation", "least-squares", "grey")
GHOST_CARE = 0.10
CROWDED_NOTED, CROWDED_CARE = 0.25, 0.5
"""Shares of a side's tenth that stand in front of the window."""
SMALLEST_USEFUL_WIDTH_MM = 100.0
SMALLEST_USEFUL_BASE_SHARE, OF_ALLOWED = 0.1, 0.95


def comfort(proof: Proof) -> Iterator[Finding]:
    """Depth beyond the limits of comfort for the viewing conditions."""
    seen = proof.comfort
    if seen.near_arcmin is None or seen.far_arcmin is None or seen.within:
        return
    rework = not seen.limits["zone-of-comfort"].within or not seen.limits["no-divergence"].within
    yield Finding(
        code="too-deep-for-screen",
        severity="rework" if rework else "care",
        text=_too_deep_text(proof),
        remedy=_too_deep_remedy(proof),
        measured=f"near {seen.near_arcmin:+.0f} arcmin, far {seen.far_arcmin:+.0f} arcmin; "
        f"one degree is 60 arcmin either side",
        over=max(abs(seen.near_arcmin), abs(seen.far_arcmin)) / COMFORT_ONE_DEGREE_ARCMIN.value,
        fixes=_too_deep_fixes(proof),
    )


def _too_deep_text(proof: Proof) -> str:
    seen = proof.comfort
    wide = f"{seen.viewing.screen_width_mm:.0f} mm wide, seen from {seen.viewing.distance_mm:.0f} mm"
    if not seen.limits["no-divergence"].within:
        return f"At {wide}, the far points lie so far apart that eyes have to turn outwards."
    return f"At {wide}, the picture asks for more depth than is comfortable."


def _too_deep_remedy(proof: Proof) -> str:
    seen = proof.comfort
    remedies = []
    if _fits_after_moving_window(proof):
        remedies.append("Move the window: `nearpair mount SHOOT --window auto`.")
    if seen.largest_screen_width_mm is not None and seen.largest_screen_width_mm >= SMALLEST_USEFUL_WIDTH_MM:
        remedies.append(f"Show it at most {seen.largest_screen_width_mm:.0f} mm wide at this distance.")
    share = _comfortable_base_share(proof)
    if share is not None and not _fits_after_moving_window(proof):
        reckoned = _reckoned_share(proof, OF_ALLOWED)
        if reckoned is not None:
            command = f"`nearpair mount SHOOT --base-share {reckoned:.2f} --window auto`"
            remedies.append(f"Or have the right eye's picture reckoned for a smaller base: {command}.")
        remedies.append(f"Next time use a stereo base of at most {_times(proof, share)}.")
    return " ".join(remedies)


def _times(proof: Proof, share: float) -> str:
    """A base as a multiple of the one that was shot, and in mm where that is known."""
    used = None if proof.metric is None or proof.metric.base is None else proof.metric.base.used_mm
    return f"{share:.2f} times this one" + ("" if used is None else f", {share * used:.3g} mm")


def _too_deep_fixes(proof: Proof) -> list[Fix]:
    fixes = []
    if _fits_after_moving_window(proof):
        fixes.append(Fix(command="nearpair mount SHOOT --window auto", decides={"mounting.window": "auto"}))
    for of_allowed in (OF_ALLOWED, OF_ALLOWED**3):
        share = _reckoned_share(proof, of_allowed)
        if share is not None and share < proof.mounting.base_share:
            command = f"nearpair mount SHOOT --base-share {share:.2f} --window auto"
            fixes.append(
                Fix(command=command, decides={"mounting.base_share": share, "mounting.window": "auto"})
            )
    return fixes


def _reckoned_share(proof: Proof, of_allowed: float) -> float | None:
    """A share of the base that fits; window and crop change a little with the base: some room is left."""
    share = _comfortable_base_share(proof)
    reckoned = 0.0 if share is None else math.floor(100 * of_allowed * share) / 100
    return reckoned if reckoned >= SMALLEST_USEFUL_BASE_SHARE else None


def _comfortable_base_share(proof: Proof) -> float | None:
    """The share of the base as shot with which depth fits the viewing conditions, the window well placed."""
    limits = proof.comfort.limits
    near, far = limits["one-degree"].near_mm, limits["one-degree"].far_mm
    if near is None or far is None or _range_mm(proof) <= 0:
        return None
    parallel = limits["no-divergence"].far_mm
    far = far if parallel is None else min(far, parallel)
    return (far - near) / _range_mm(proof) * proof.mounting.base_share


def _range_mm(proof: Proof) -> float:
    return (proof.comfort.far_mm or 0.0) - (proof.comfort.near_mm or 0.0)


def _fits_after_moving_window(proof: Proof) -> bool:
    share = _comfortable_base_share(proof)
    return share is not None and share >= proof.mounting.base_share


def flat(proof: Proof) -> Iterator[Finding]:
    """Pairs with little depth."""
    seen = proof.depth.relief
    if seen.range_arcmin is None or seen.range_arcmin >= FLAT_ARCMIN:
        return
    factor = GOOD_RANGE_ARCMIN / max(seen.range_arcmin, 1.0)
    yield Finding(
        code="flat",
        severity="care",
        text="The pair has little depth: it will look almost like a flat picture.",
        remedy=_wider_base(proof, factor),
        measured=f"{seen.range_arcmin:.1f} arcmin from near to far, {proof.depth.deviation_px or 0.0:.1f} px",
        over=FLAT_ARCMIN / max(seen.range_arcmin, 0.1),
        fixes=_more_base(proof, factor),
    )


def _more_base(proof: Proof, factor: float) -> list[Fix]:
    done = proof.mounting.base_share
    if done == 1:
        return []
    more = min(1.0, math.ceil(100 * factor * done) / 100)
    command = f"nearpair mount SHOOT --base-share {more:.2f}"
    return [Fix(command=command, decides={"mounting.base_share": more})]


def _wider_base(proof: Proof, factor: float) -> str:
    done = proof.mounting.base_share
    if done < 1:
        more = min(1.0, math.ceil(100 * factor * done) / 100)
        return f"Use more of the stereo base that was shot: `nearpair mount SHOOT --base-share {more:.2f}`."
    offsets = {station.name: station.offset_mm for station in proof.stations}
    left, right = offsets.get(proof.eyes.left), offsets.get(proof.eyes.right)
    if left is None or right is None or left == right:
        return (
            f"Next time use a stereo base about {factor:.1f} times as wide, or a subject with something "
            "in front of something else."
        )
    base = abs(right - left)
    return (
        f"Next time use a stereo base of about {factor * base:.1f} mm instead of {base:.1f} mm, or a subject "
        "with something in front of something else."
    )


def base(proof: Proof) -> Iterator[Finding]:
    """Find a pair that shows less than the stereo base that was shot."""
    done = proof.mounting
    if done.base_share == 1:
        return
    used = None if proof.metric is None or proof.metric.base is None else proof.metric.base.used_mm
    mm = "" if used is None else f": {done.base_share * used:.3g} mm instead of {used:.3g} mm"
    yield Finding(
        code="base-reduced",
        severity="note",
        text=f"The right eye's picture was reckoned, as from {percent(done.base_share)} of the stereo base "
        f"that was shot{mm}; parallax is less by as much.",
        remedy="Look at the right picture beside the outlines of near things before you publish. "
        "`nearpair mount SHOOT --base-share 1` brings back the pair as it was shot.",
        measured=f"{percent(done.filled_share, 2)} of the right picture shows what neither view saw, and was "
        "filled from the background",
    )


def window(proof: Proof) -> Iterator[Finding]:
    """Things in front of the window that the frame cuts."""
    width = proof.picture.width_px
    for side in ("left", "right", "top", "bottom"):
        cut: EdgeCut = getattr(proof.edges, side)
        upright = side in ("left", "right")
        if cut.share < (CUT_NOTED if upright else CUT_CARE) or cut.worst_px is None or cut.place is None:
            continue
        care = upright and cut.share >= CUT_CARE
        bad = upright and cut.share >= CUT_REWORK and -cut.worst_px > 0.01 * width
        yield Finding(
            code=f"window-cut-{side}",
            severity="rework" if bad else "care" if care else "note",
            text=f"Something in front of the window is cut by the {side} edge of the frame, so it "
            "seems to be in "
            "front of the frame and behind it at once.",
            remedy="Bring the window forward: `nearpair mount SHOOT --window near`; or crop that edge away.",
            measured=f"{percent(cut.share)} of the edge, up to {-cut.worst_px:.1f} px in front, "
            f"{'rows' if upright else 'columns'} {cut.place[0]} to {cut.place[1]}",
            over=cut.share / CUT_CARE,
            fixes=_WINDOW_FIXES,
        )


def crowding(proof: Proof) -> Iterator[Finding]:
    """Sides where much stands in front of the window, though the frame may not cut it."""
    for side in ("left", "right"):
        share: float = getattr(proof.seen, f"crowded_{side}_share") or 0.0
        cut: EdgeCut = getattr(proof.edges, side)
        if share < CROWDED_NOTED or cut.share >= CUT_CARE:
            continue  # what is cut is told as such
        width = proof.picture.width_px
        columns = f"0 to {width // 10}" if side == "left" else f"{width - width // 10} to {width - 1}"
        yield Finding(
            code=f"crowded-{side}",
            severity="care" if share >= CROWDED_CARE else "note",
            text=f"Much stands in front of the window close to the {side} edge: the edge pulls it back, and "
            "eyes that wander there lose it.",
            remedy="Bring the window forward: `nearpair mount SHOOT --window near`; or crop that side away. "
            "Next time leave some room between what is near and the sides.",
            measured=f"{percent(share)} of columns {columns} stand in front of the window",
            over=share / CROWDED_CARE,
            fixes=_WINDOW_FIXES,
        )


_WINDOW_FIXES = [
    Fix(
        command="nearpair mount SHOOT --window auto --floating auto",
        decides={"mounting.window": "auto", "mounting.floating": "auto"},
    ),
    Fix(command="nearpair mount SHOOT --window near", decides={"mounting.window": "near"}),
]


def rivalry(proof: Proof) -> Iterator[Finding]:
    """Colours that the two eyes see too unlike through the glasses.

    What is left when the views are made equally bright: the rest is told as their exposure.
    """
    seen, glasses, method = proof.colour.rivalry, proof.colour.glasses, proof.colour.method
    share, saturated = of_colours(seen)
    if not shimmers(share, saturated):
        return
    others = [name for name in CALMER_METHODS if name != method]
    yield Finding(
        code="red-rivalry" if glasses.startswith("red") else "colour-rivalry",
        severity="rework" if saturated >= SATURATED_REWORK else "care",
        text=f"Through {glasses} glasses some colours are bright for one eye and dark for the "
        "other; they shimmer "
        "instead of fusing.",
        remedy=f"Mix the anaglyph by another method: `nearpair export SHOOT --method {others[0]}` "
        f"(or {', '.join(others[1:])}; local-desaturation makes paler just what shimmers); or use "
        "other glasses.",
        measured=f"{percent(share, 1)} of the matched points lie in patches that differ by more than "
        f"{percent(seen.threshold)}, "
        f"{percent(saturated, 1)} are all but black for one eye",
        over=max(share / RIVALRY_CARE, saturated / SATURATED_CARE),
        fixes=[
            Fix(command=f"nearpair export SHOOT --method {name}", decides={"colour.method": name})
            for name in others
        ],
    )


def ghosting(proof: Proof) -> Iterator[Finding]:
    """Remnants of the other eye's picture."""
    seen = proof.colour.ghosting
    worst = max(seen.left_share or 0.0, seen.right_share or 0.0)
    if not seen.known or worst < GHOST_CARE:
        return
    at = ""
    if seen.worst_point_px is not None:
        point = ",".join(str(px) for px in seen.worst_point_px)
        at = f"Put the window where it is strongest: `nearpair mount SHOOT --window {point}`. "
    yield Finding(
        code="ghosting",
        severity="note",
        text="With usual glasses, remnants of the other eye's picture will be seen beside strong contrasts.",
        remedy=f"{at}Matched takes back what it can; lighten dark backgrounds or soften the contrast "
        "before the next shoot. Prints show more of it than screens.",
        measured=f"{percent(worst)} of the matched points with a remnant above 5 % contrast",
        over=worst / GHOST_CARE,
    )


def height(proof: Proof) -> Iterator[Finding]:
    """Vertical parallax that mounting left."""
    residual, seen = proof.mounting.residual_vertical_px, proof.comfort
    rms, p95_arcmin = residual.rms or 0.0, seen.vertical_p95_arcmin or 0.0
    if rms <= VERTICAL_CARE_RMS_PX and p95_arcmin <= VERTICAL_CARE_ARCMIN:
        return
    yield Finding(
        code="vertical-residual",
        severity="rework" if p95_arcmin > VERTICAL_REWORK_ARCMIN else "care",
        text="Matching points do not lie at the same height in both views; the eyes must turn "
        "apart vertically, "
        "which tires them.",
        remedy="Run `nearpair mount SHOOT` again; if it stays, keep the camera level and its axis "
        "square to the rail "
        "when shooting, and do not turn the camera towards the subject.",
        measured=f"{rms:.2f} px rms, 95 % below {residual.p95 or 0.0:.2f} px ({p95_arcmin:.1f} arcmin)",
        over=max(rms / VERTICAL_CARE_RMS_PX, p95_arcmin / VERTICAL_CARE_ARCMIN),
    )
