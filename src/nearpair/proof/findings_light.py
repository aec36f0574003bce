"""Advice from how the light of the two views differs, as they were shot and as they are in the pair.

Light that was evened is told all the same: the picture is well, the frames were not. Thresholds without a
source named beside them are a choice of this project.
"""

from collections.abc import Iterator

from nearpair.colour.balance import NOTED_SHIFT, NOTED_STOPS
from nearpair.proof.model import Proof
from nearpair.proof.model_advice import Finding, Fix
from nearpair.proof.phrases import percent
from nearpair.proof.shimmer import by_exposure

EXPOSURE_CARE, EXPOSURE_REWORK = 0.25, 0.60
"""Luminance difference of the views: 25 % from F. L. Kooi and A. Toet, Displays 25 (2004), from memory; 60 %
from Boydstun et al., abstract only: up to there depth is kept."""
WHITE_BALANCE_CARE = 0.10
_SAME_LIGHT = "shoot both stations with the same manual exposure and the same light"
_SAME_COLOUR = "fix the white balance in the camera and keep the light for both stations"
_EVEN = "nearpair mount SHOOT --light even"


def brightness(proof: Proof) -> Iterator[Finding]:
    """Find views of which one was shot darker than the other."""
    stops, dimmer = proof.capture.exposure_stops or 0.0, _dimmer(proof.capture.exposure_stops)
    colours = by_exposure(proof.colour.rivalry)
    if _evened(proof) and abs(stops) > NOTED_STOPS and not colours:
        yield _evened_brightness(proof, dimmer)
    elif dimmer > EXPOSURE_CARE or colours:
        yield Finding(
            code="exposure-difference",
            severity="rework" if dimmer > EXPOSURE_REWORK else "care",
            text="One view is darker than the other; the eyes fight over it instead of fusing it."
            + (" Colours that would do shimmer for that reason." if colours else ""),
            remedy=f"{_evening(proof)}Next time {_SAME_LIGHT}; wait for flashes to recharge.",
            measured=f"right view {stops:+.2f} stops{_shimmering(proof)}",
            over=max(1.0, dimmer / EXPOSURE_CARE),
            fixes=_fixes(proof),
        )
    elif abs(stops) > NOTED_STOPS:
        yield Finding(
            code="exposure-difference",
            severity="note",
            text="One view is a little darker than the other, by less than disturbs.",
            remedy=f"Nothing has to be done for this picture. Next time {_SAME_LIGHT}.",
            measured=f"right view {stops:+.2f} stops",
            fixes=_fixes(proof),
        )


def colour(proof: Proof) -> Iterator[Finding]:
    """Find views that were shot in different colours."""
    shift, left = proof.capture.white_balance_shift, proof.capture.left_over_shift
    if shift is None or shift <= NOTED_SHIFT:
        return
    measured = f"red or blue differs from green by {percent(shift)} between the views"
    if left is not None and left <= NOTED_SHIFT:
        yield Finding(
            code="white-balance-difference",
            severity="note",
            text="The views were shot in different colours; both were evened for this picture.",
            remedy=f"Nothing has to be done for this picture. Next time {_SAME_COLOUR}.",
            measured=f"{measured} as shot, by {percent(left, 1)} in the pair",
        )
        return
    yield Finding(
        code="white-balance-difference",
        severity="care" if shift > WHITE_BALANCE_CARE else "note",
        text="The views differ in colour.",
        remedy=f"{_evening(proof)}Next time {_SAME_COLOUR}.",
        measured=measured,
        over=max(1.0, shift / WHITE_BALANCE_CARE),
        fixes=_fixes(proof),
    )


def _evened_brightness(proof: Proof, dimmer: float) -> Finding:
    """What is told of views that were evened: the more was to be done, the more noise there is."""
    stops, left = proof.capture.exposure_stops or 0.0, proof.capture.left_over_stops
    dark, still = dimmer > EXPOSURE_REWORK, _dimmer(left) > EXPOSURE_CARE
    text = "One view was shot darker than the other; both were evened for this picture."
    look = " Look at the noise in its shadows before you publish it." if dark else ""
    return Finding(
        code="exposure-difference",
        severity="care" if dark or still else "note",
        text=text + (" The darker one shows more noise for it." if dark else ""),
        remedy=f"Nothing has to be done for this picture.{look} Next time {_SAME_LIGHT}.",
        measured=f"right view {stops:+.2f} stops as shot, {left or 0.0:+.2f} in the pair",
        over=max(1.0, _dimmer(left) / EXPOSURE_CARE),
    )


def _dimmer(stops: float | None) -> float:
    """How much less light the darker view has, as a share."""
    return 0.0 if stops is None else 1 - 2 ** -abs(stops)


def _evened(proof: Proof) -> bool:
    light = proof.mounting.light
    return light is not None and light.evened


def _fixes(proof: Proof) -> list[Fix]:
    light = proof.mounting.light
    if light is None or light.evened or light.stops is None:
        return []
    return [Fix(command=_EVEN, decides={"mounting.light": "even"})]


def _evening(proof: Proof) -> str:
    """What can be done without new frames, as the beginning of a remedy."""
    light = proof.mounting.light
    if light is None or not _fixes(proof):
        return ""
    why = f" It was {light.note}." if light.note.endswith("own") else ""
    return f"Even the views: `{_EVEN}`.{why} "


def _shimmering(proof: Proof) -> str:
    seen = proof.colour.rivalry
    if not by_exposure(seen):
        return ""
    now, even = percent(seen.patch_share or 0.0, 1), percent(seen.even_patch_share or 0.0, 1)
    return f"; {now} of the matched points in patches of rivalry, {even} with views equally bright"
