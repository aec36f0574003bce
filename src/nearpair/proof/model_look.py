"""Part of the proof as data: how the mounted pair looks, depth, comfort, colours, edges of the frame."""

from typing import Literal

import msgspec


class Relief(msgspec.Struct, frozen=True, kw_only=True):
    """How much depth the viewer gets; see `proof.depth.relief` for the score's formula.

    `jump_arcmin`: the usual size of the depth jumps, null without any.
    """

    score: float | None
    range_arcmin: float | None
    acuity_steps: float | None
    jumps: int
    jump_length_heights: float
    layers: float
    textured_share: float
    jump_arcmin: float | None = None


class Depth(msgspec.Struct, frozen=True, kw_only=True):
    """Parallax of the 1st (near) and 99th (far) percentile of the pixels whose parallax is known."""

    near_px: float | None
    far_px: float | None
    deviation_px: float | None
    deviation_fraction_of_width: float | None
    known_share: float
    relief: Relief


class ViewingConditions(msgspec.Struct, frozen=True, kw_only=True):
    """Width of the shown picture, distance of the viewer, spacing of the eyes, all in mm."""

    screen_width_mm: float
    distance_mm: float
    eyes_mm: float


class Limit(msgspec.Struct, frozen=True, kw_only=True):
    """One comfort limit: parallax allowed in front and behind (null: no limit), and whether it holds."""

    near_mm: float | None
    far_mm: float | None
    near_arcmin: float | None
    far_arcmin: float | None
    within: bool
    source: str


class Comfort(msgspec.Struct, frozen=True, kw_only=True):
    """Parallax as the viewer meets it, against the limits: "one-degree", "zone-of-comfort", "no-divergence".

    `within` means inside one degree and without divergence; `largest_screen_width_mm` keeps both at this
    distance.
    """

    viewing: ViewingConditions
    near_arcmin: float | None
    far_arcmin: float | None
    near_mm: float | None
    far_mm: float | None
    limits: dict[str, Limit]
    largest_screen_width_mm: float | None
    vertical_rms_arcmin: float | None
    vertical_p95_arcmin: float | None
    within: bool


class Histogram(msgspec.Struct, frozen=True, kw_only=True):
    """Shares of the pixels by parallax, in even steps from `first_arcmin` on."""

    first_arcmin: float
    step_arcmin: float
    shares: list[float]


class Seen(msgspec.Struct, frozen=True, kw_only=True):
    """What the viewer meets beyond near and far; see `proof.seen`.

    `crowded_share`: of the left and right tenth of the picture, what stands in front of the window.
    `crowded_left_share`, `crowded_right_share`: the same of either side.
    `seen_larger`: how many times larger than it is the subject seems. `roundness`: depth over width, 1 as in
    life. Null where lengths in mm are not known.
    """

    histogram: Histogram | None = None
    crowded_share: float | None = None
    crowded_left_share: float | None = None
    crowded_right_share: float | None = None
    seen_larger: float | None = None
    roundness: float | None = None


class Rivalry(msgspec.Struct, frozen=True, kw_only=True):
    """How unlike the two eyes' pictures are through the glasses; see `proof.rivalry`.

    `luminance_ratio`: right over left brightness of a matched point, median. `filter_ratio`: the same for
    white, which is the glasses' own share. `rivalry_share`: matched points whose ratio differs from the
    filter's own by more than the threshold. `saturated_share`: matched points of which one eye sees (almost)
    nothing while the other eye sees them bright. `patch_share` and `saturated_patch_share`: the same of
    points amid others in rivalry. `even_patch_share` and `even_saturated_patch_share`: what of these is left
    if the views are made equally bright before they are mixed; null where that was not looked at.
    """

    luminance_ratio: float | None
    filter_ratio: float | None
    rivalry_share: float | None
    saturated_share: float | None
    threshold: float
    patch_share: float | None = None
    saturated_patch_share: float | None = None
    even_patch_share: float | None = None
    even_saturated_patch_share: float | None = None


class Ghosting(msgspec.Struct, frozen=True, kw_only=True):
    """How visible the wrong eye's picture is through the filters; null where leakage is not published.

    `worst_point_px`: x, y of where it is strongest, in the left view, as `--window X,Y` takes it.
    """

    known: bool
    left_leak: float | None = None
    right_leak: float | None = None
    left_share: float | None = None
    right_share: float | None = None
    worst_contrast: float | None = None
    worst_point_px: tuple[int, int] | None = None


class Colour(msgspec.Struct, frozen=True, kw_only=True):
    """The glasses the pair was proofed for and what they do to it.

    `filters`: what is known of them: "own" glasses were measured by their viewer, "measured" ones are
    published, "modelled" ones are computed from curves, "ideal" ones pass nothing but their own channels.
    """

    glasses: str
    method: str
    rivalry: Rivalry
    ghosting: Ghosting
    filters: Literal["own", "measured", "modelled", "ideal"] | None = None


class EdgeCut(msgspec.Struct, frozen=True, kw_only=True):
    """What stands in front of the window and is cut by one edge of the frame.

    `share` of the edge's length, `worst_px` parallax (most negative), `place` first and last row (column)
    of the longest run along the edge.
    """

    share: float
    worst_px: float | None = None
    place: tuple[int, int] | None = None


class Edges(msgspec.Struct, frozen=True, kw_only=True):
    """The four edges of the frame; left and right are the ones that hurt."""

    left: EdgeCut
    right: EdgeCut
    top: EdgeCut
    bottom: EdgeCut
