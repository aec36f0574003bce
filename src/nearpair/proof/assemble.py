"""Measure a mounted pair and put the proof together."""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import msgspec
import numpy as np
from numpy.typing import NDArray

import nearpair
from nearpair.colour.glasses import Glasses
from nearpair.colour.match import Grid, Light, block_light, grid, matched
from nearpair.errors import PairError
from nearpair.optics.viewing import Viewing
from nearpair.proof.advice import advise, verdict
from nearpair.proof.capture import capture, evened
from nearpair.proof.comfort import comfort
from nearpair.proof.depth import depth
from nearpair.proof.edges import edges
from nearpair.proof.localshifts import without_moved
from nearpair.proof.model import Capture, Eyes, Metric, Mounting, Picture, Proof, SetAside, Station
from nearpair.proof.model_advice import Fixed
from nearpair.proof.model_capture import LocalShifts
from nearpair.proof.model_look import Colour, Depth
from nearpair.proof.model_pairs import Candidate, NextBase
from nearpair.proof.model_retouch import Retouched
from nearpair.proof.onesided import highlights
from nearpair.proof.ranking import held_against
from nearpair.proof.rivalry import Mixing, ghosting, ghosts_of, mixed, rivalry, strongest_ghost, through
from nearpair.proof.seen import seen
from nearpair.proof.sharpness import sharpness


@dataclass(frozen=True, slots=True, eq=False)
class Inputs:
    """Everything a proof is made from.

    `left`, `right` and `anaglyph` are (H, W, 3), sRGB-encoded uint8 or uint16: the mounted views and the
    finished anaglyph made from them for `glasses` with `method`; `mix` makes such an anaglyph of two
    other pictures (without it, each eye's channels are taken to come from its own picture alone). `parallax`
    is (H, W) float32 in px, left-eye coordinates, NaN where unknown. Stations, eyes, mounting and the pairs
    that could have been chosen are reported by the caller.
    """

    left: NDArray[Any]
    right: NDArray[Any]
    anaglyph: NDArray[Any]
    parallax: NDArray[np.float32]
    viewing: Viewing
    glasses: Glasses
    method: str
    stations: list[Station]
    eyes: Eyes
    mounting: Mounting
    set_aside: list[SetAside]
    notes: list[str]
    metric: Metric | None = None
    candidates: list[Candidate] = field(default_factory=list)
    next_base: NextBase | None = None
    fixed: Fixed | None = None
    local: LocalShifts | None = None
    retouches: list[Retouched] = field(default_factory=list)
    dust: list[tuple[int, int]] = field(default_factory=list)
    mix: Mixing | None = None


MEASURES = 5
"""How often `assemble` says that a measure is done."""


def assemble(inputs: Inputs, one_more: Callable[[], object] = lambda: None) -> Proof:
    """Make the proof of a mounted pair; `one_more` is called after each of MEASURES measures.

    Raises PairError when the pictures and the map differ in size.
    """
    _check_sizes(inputs)
    height, width = inputs.parallax.shape
    on = grid(inputs.parallax)
    still = without_moved(inputs.parallax, inputs.local)
    measured_depth = _depth(inputs, still)
    one_more()
    views = block_light(inputs.left, on), block_light(inputs.right, on)
    one_more()
    found = _capture(inputs, on, views)
    one_more()
    colour = _colour(inputs, on, views, _ratio_now(found))
    one_more()
    draft = Proof(
        version=nearpair.__version__,
        picture=Picture(width_px=width, height_px=height),
        stations=inputs.stations,
        set_aside=inputs.set_aside,
        eyes=inputs.eyes,
        mounting=inputs.mounting,
        depth=measured_depth,
        metric=inputs.metric,
        seen=seen(still, measured_depth, inputs.viewing, inputs.metric, inputs.mounting),
        comfort=comfort(measured_depth, inputs.mounting.residual_vertical_px, inputs.viewing, width),
        colour=colour,
        capture=found,
        edges=edges(still, inputs.mounting.floating_px),
        candidates=inputs.candidates,
        next_base=held_against(inputs.next_base, inputs.candidates, measured_depth.relief.range_arcmin),
        advice=[],
        verdict="ready",
        fixed=inputs.fixed,
        local_shifts=inputs.local,
        retouches=inputs.retouches,
        dust_px=inputs.dust,
        notes=inputs.notes,
    )
    advice = advise(draft)
    one_more()
    return msgspec.structs.replace(draft, advice=advice, verdict=verdict(advice))


def _depth(inputs: Inputs, still: NDArray[np.float32]) -> Depth:
    """Depth by the part of the map that did not move; known is what was matched, moved or not."""
    known_share = float(np.isfinite(inputs.parallax).mean())
    return msgspec.structs.replace(depth(still, inputs.left, inputs.viewing), known_share=known_share)


def _check_sizes(inputs: Inputs) -> None:
    expected = (*inputs.parallax.shape, 3)
    for name in ("left", "right", "anaglyph"):
        found = getattr(inputs, name).shape
        if found != expected:
            raise PairError(
                f"{name} must have shape {expected} like the parallax map, found {found}.",
                "Mount the pair again: pictures and map come from one mounting.",
            )


def _colour(inputs: Inputs, on: Grid, views: tuple[Light, Light], exposure_ratio: float | None) -> Colour:
    glasses, mix = inputs.glasses, inputs.mix
    seen = through(block_light(inputs.anaglyph, on), on, glasses)
    ghosts, found = seen, rivalry(seen, glasses, on)
    if mix is not None:
        ghosts = ghosts_of(*views, on, glasses, mix)
        if found.patch_share and exposure_ratio is not None:
            even = rivalry(through(mixed(*evened(*views, exposure_ratio), mix), on, glasses), glasses, on)
            found = msgspec.structs.replace(
                found,
                even_patch_share=even.patch_share,
                even_saturated_patch_share=even.saturated_patch_share,
            )
    at = _in_left_view(strongest_ghost(ghosts, on, glasses), inputs.mounting)
    return Colour(
        glasses=glasses.name,
        method=inputs.method,
        rivalry=found,
        ghosting=msgspec.structs.replace(ghosting(ghosts, glasses), worst_point_px=at),
        filters="ideal" if glasses.display is None else glasses.filters,
    )


def _ratio_now(found: Capture) -> float | None:
    """Brightness of the right view over the left one as they are in the pair."""
    return found.exposure_ratio if found.left_over_stops is None else 2**found.left_over_stops


def _in_left_view(point: tuple[int, int] | None, mounting: Mounting) -> tuple[int, int] | None:
    """A point of the mounted left picture, (x, y) px, in the view that it was cropped from."""
    if point is None:
        return None
    return point[0] + round(mounting.crop_px[0]), point[1] + round(mounting.crop_px[1])


def _capture(inputs: Inputs, on: Grid, views: tuple[Light, Light]) -> Capture:
    left, right = views
    points = matched(left, right, on)
    pair = [s for s in inputs.stations if s.name in (inputs.eyes.left, inputs.eyes.right)]
    found = capture(points, pair, inputs.mounting.light)
    focus = sharpness(inputs.left, inputs.right, inputs.parallax)
    return msgspec.structs.replace(
        found,
        sharpness_by_depth=list(focus.by_depth),
        one_sided_share=focus.one_sided_share,
        highlights_one_eye_share=highlights(left, right, on).share,
    )
