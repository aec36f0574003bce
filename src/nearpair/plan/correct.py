"""What an earlier shoot teaches the next plan: its real base and depth, slices that were missing."""

from dataclasses import replace

from nearpair.plan.request import Earlier, Request

_SAME_FRAMING = 0.05
_CLOSEST_STEPS = 0.5
NOTABLE = 1.1
"""Measured and predicted depth differ by this factor: worth a word."""


def corrected(request: Request) -> tuple[Request, tuple[int, int], list[str]]:
    """Request with closer steps where slices were missing, frames to add at both ends, and what was done.

    The measured deviation corrects the base only for the framing it was measured at: for another
    magnification or depth the earlier shoot is dropped from the request, and that is said.
    """
    earlier = request.earlier
    if earlier is None:
        return request, (0, 0), []
    notes: list[str] = []
    if earlier.gaps:
        overlap = 1 - (1 - request.overlap) * max(_CLOSEST_STEPS, 1 / max(earlier.widest_gap_steps, 1.0))
        request = replace(request, overlap=overlap)
        slices = "a slice was" if earlier.gaps == 1 else f"{earlier.gaps} slices were"
        notes.append(
            f"{slices} missing in {earlier.name}: the steps are closer, {_percent(overlap)} overlap."
        )
    extra = (2 * earlier.cut_near, 2 * earlier.cut_far)
    if earlier.cut_near or earlier.cut_far:
        ends = " and ".join(end for end, cut in (("near", earlier.cut_near), ("far", earlier.cut_far)) if cut)
        notes.append(f"{earlier.name} was cut off at the {ends} end: two more frames there.")
    notes += _relief(earlier)
    return request, extra, notes


def same_framing(earlier: Earlier, magnification: float, depth_mm: float) -> bool:
    """Whether what was measured holds for this framing: same magnification and depth, as far as known."""
    sizes = (
        (earlier.magnification, magnification),
        (earlier.depth_mm, depth_mm),
    )
    return all(was is None or abs(was / now - 1) <= _SAME_FRAMING for was, now in sizes)


def told_correction(earlier: Earlier, factor: float) -> list[str]:
    """Say what the measured deviation changed."""
    if 1 / NOTABLE < factor < NOTABLE:
        return [f"{earlier.name} came out as the formulas predict, within {_percent(abs(factor - 1))}."]
    base, much = ("smaller", "more") if factor > 1 else ("larger", "less")
    found = f"{earlier.name} came out {factor:.2g} times as deep as the formulas say for these data, so "
    why = f"the base is {base}. The subject had {much} depth than stated, or the lens another focal length."
    return [found + why]


def _relief(earlier: Earlier) -> list[str]:
    if earlier.range_arcmin is None or earlier.enough_arcmin is None:
        return []
    if earlier.range_arcmin >= earlier.enough_arcmin:
        return [f"The viewer got {earlier.range_arcmin:.0f} arcmin of depth from {earlier.name}: enough."]
    got = f"The viewer got only {earlier.range_arcmin:.0f} arcmin of depth from {earlier.name}; "
    return [f"{got}{earlier.enough_arcmin:.0f} are worth having."]


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"
