"""The measures of a proof as rows for people: name, value with its unit, and what it is held against."""

from dataclasses import dataclass

from nearpair.proof.model import Length, Metric, Proof
from nearpair.proof.model_look import Comfort, Depth, Limit, Seen
from nearpair.proof.phrases import percent, with_error
from nearpair.proof.shimmer import RIVALRY_CARE

Row = tuple[str, str, str]

UNKNOWN = "not known"
WITNESSES = {
    "stated scale": "stated field width",
    "rail": "change of size from frame to frame",
    "disparity": "disparity against focus",
    "course": "disparity from frame to frame",
    "parallel": "cameras that point the same way",
    "lens": "lens and sensor",
    "recorded": "focus distances the camera recorded",
}
"""What lengths in mm rest on, in words; other names are words already."""


@dataclass(frozen=True, slots=True)
class Group:
    """Rows under one heading."""

    title: str
    rows: list[Row]
    sources: tuple[str, ...] = ()


def figures(proof: Proof) -> list[Group]:
    """Every measure of `proof`, grouped."""
    return [
        Group("Depth", _depth(proof.depth)),
        *([] if proof.metric is None else [Group("In mm", _metric(proof.metric))]),
        Group(
            "Comfort", _comfort(proof.comfort), tuple(limit.source for limit in proof.comfort.limits.values())
        ),
        *([] if proof.seen is None else [Group("Effect", _seen(proof.seen))]),
        Group("Mounting", _mounting(proof)),
        Group("Colour", _colour(proof)),
        Group("The two views as shot", _capture(proof)),
        Group("Edges of the frame", _edges(proof)),
    ]


def _number(value: float | None, form: str, unit: str) -> str:
    return UNKNOWN if value is None else f"{value:{form}} {unit}".rstrip()


def _share(value: float | None, digits: int = 1) -> str:
    return UNKNOWN if value is None else percent(value, digits)


def _depth(depth: Depth) -> list[Row]:
    relief = depth.relief
    return [
        ("Nearest point", _number(depth.near_px, "+.1f", "px"), "1st percentile of the known parallax"),
        ("Farthest point", _number(depth.far_px, "+.1f", "px"), "99th percentile"),
        ("Deviation", _number(depth.deviation_px, ".1f", "px"), "far minus near"),
        (
            "Deviation of width",
            _share(depth.deviation_fraction_of_width, 2),
            "customary for full depth: 3.3 %",
        ),
        ("Relief", _number(relief.score, ".0f", "of 100"), "0 is flat"),
        ("Depth steps", _number(relief.acuity_steps, ".0f", ""), "steps of 40 seconds of arc, near to far"),
        (
            "Depth jumps",
            f"{relief.jumps}" + ("" if relief.jump_arcmin is None else f", {relief.jump_arcmin:.1f} arcmin"),
            f"{relief.jump_length_heights:.1f} picture heights long together",
        ),
        ("Textured", _share(relief.textured_share, 0), "of the picture"),
    ]


def _metric(metric: Metric) -> list[Row]:
    return [
        *_sizes(metric),
        _off(
            "Distance of the window", metric.distance_mm, metric.distance_error_mm, "from the entrance pupil"
        ),
        _length("Stereo base", metric.base),
        _length("Step of focus", metric.step),
        ("Rests on", ", ".join(WITNESSES.get(name, name) for name in metric.rests_on), ""),
    ]


def _sizes(metric: Metric) -> list[Row]:
    near, far = metric.near_mm, metric.far_mm
    ends = (
        ""
        if near is None or far is None
        else f"{near:+.1f} to {far:+.1f} mm, minus is in front of the window"
    )
    pixel = metric.window_mm_per_px
    planes = (
        ""
        if metric.near_mm_per_px is None or metric.far_mm_per_px is None
        else f"in the window, give or take {_share(metric.scale_error_share)}; near "
        f"{metric.near_mm_per_px:.4g}, far {metric.far_mm_per_px:.4g} mm"
    )
    return [
        _off("Depth, near to far", metric.range_mm, metric.range_error_mm, ends),
        ("Size of a pixel", _number(pixel, ".4g", "mm"), planes),
    ]


def _length(name: str, length: Length | None) -> Row:
    if length is None:
        return (name, UNKNOWN, "")
    notes = [] if length.stated_mm is None else [f"stated {length.stated_mm:g} mm"]
    if length.measured_mm is not None and length.measured_error_mm is not None:
        number, plus = with_error(length.measured_mm, length.measured_error_mm)
        notes.append(f"from everything else {number} ± {plus} mm")
    return _off(name, length.used_mm, length.error_mm, "; ".join(notes))


def _off(name: str, value: float | None, error: float | None, note: str) -> Row:
    if value is None or error is None:
        return (name, UNKNOWN, note)
    number, plus = with_error(value, error)
    return (name, f"{number} ± {plus} mm", note)


def _comfort(comfort: Comfort) -> list[Row]:
    viewing = comfort.viewing
    return [
        (
            "Seen",
            f"{viewing.screen_width_mm:.0f} mm wide",
            f"from {viewing.distance_mm:.0f} mm, eyes {viewing.eyes_mm:.0f} mm apart",
        ),
        (
            "Nearest point",
            _number(comfort.near_arcmin, "+.1f", "arcmin"),
            _number(comfort.near_mm, "+.2f", "mm"),
        ),
        (
            "Farthest point",
            _number(comfort.far_arcmin, "+.1f", "arcmin"),
            _number(comfort.far_mm, "+.2f", "mm"),
        ),
        *(_limit(name, limit) for name, limit in comfort.limits.items()),
        (
            "Largest comfortable width",
            _number(comfort.largest_screen_width_mm, ".0f", "mm"),
            "screen or print at this distance",
        ),
        (
            "Height difference",
            _number(comfort.vertical_rms_arcmin, ".2f", "arcmin rms"),
            f"95 % below {_number(comfort.vertical_p95_arcmin, '.2f', 'arcmin')}",
        ),
    ]


def _seen(seen: Seen) -> list[Row]:
    return [
        ("Sides in front of the window", _share(seen.crowded_share), "of the left and right tenth"),
        ("Seems larger than it is", _number(seen.seen_larger, ".2g", "times"), "eyes apart over stereo base"),
        ("Roundness", _number(seen.roundness, ".2f", ""), "depth over width; 1 as in life"),
    ]


def _limit(name: str, limit: Limit) -> Row:
    ends = [
        f"{arcmin:+.0f} arcmin ({mm:+.1f} mm)"
        for arcmin, mm in ((limit.near_arcmin, limit.near_mm), (limit.far_arcmin, limit.far_mm))
        if arcmin is not None and mm is not None
    ]
    return (
        f"Limit: {name.replace('-', ' ')}",
        "kept" if limit.within else "not kept",
        " to ".join(ends) if len(ends) > 1 else f"up to {ends[0]}",
    )


def _mounting(proof: Proof) -> list[Row]:
    done = proof.mounting
    residual = done.residual_vertical_px
    return [
        ("Right view turned", f"{done.rotation_deg:+.3f} degrees", ""),
        ("Right view scaled", f"{done.scale:.5f}", ""),
        ("Right view raised or lowered", f"{done.vertical_px:+.1f} px", ""),
        *_lens(proof),
        *_light(proof),
        *_camera(proof),
        *_base(proof),
        ("Shift", f"{done.shift_px:+.1f} px", f"the window stands {done.window_rule}".rstrip()),
        ("Crop", f"{done.crop_px[2]} x {done.crop_px[3]} px", done.crop_rule),
        *_floating(proof),
        (
            "Height left over",
            _number(residual.rms, ".2f", "px rms"),
            f"95 % {_number(residual.p95, '.2f', 'px')}",
        ),
    ]


def _lens(proof: Proof) -> list[Row]:
    lens = proof.mounting.lens
    if lens is None:
        return []
    if lens.name is None:
        return [("Lens distortion", "-", lens.note)]
    return [("Lens distortion", f"up to {lens.largest_px:.1f} px", f"{lens.name}: {lens.note}")]


def _light(proof: Proof) -> list[Row]:
    light, now = proof.mounting.light, proof.capture
    if light is None or not light.evened:
        return []
    left = f"{_number(now.left_over_stops, '+.2f', 'stops')} and {_share(now.left_over_shift)} are left"
    return [("Light", light.note, f"{left} of what was shot, see below")]


def _camera(proof: Proof) -> list[Row]:
    """What is said only of a pair that needed it."""
    done, rows = proof.mounting, []
    if any(done.keystone_px):
        known = done.yaw_deg is not None and done.pitch_deg is not None
        angles = f"yaw {done.yaw_deg:+.2f}, pitch {done.pitch_deg:+.2f} degrees" if known else ""
        rows.append(("Keystone taken out", f"{max(done.keystone_px):.1f} px in the corners", angles))
    if done.base_slope_deg:
        rows.append(("Stereo base slopes", f"{done.base_slope_deg:+.2f} degrees", "both views turned back"))
    return rows


def _base(proof: Proof) -> list[Row]:
    done = proof.mounting
    if done.base_share == 1:
        return []
    note = f"the right picture was reckoned; {percent(done.filled_share, 2)} of it no view saw"
    return [("Stereo base", f"{percent(done.base_share)} of that shot", note)]


def _floating(proof: Proof) -> list[Row]:
    left, right = proof.mounting.floating_px
    if not left and not right:
        return []
    note = "a floating window: masks in the outputs bring these sides of the frame forward"
    return [("Masks", f"left {left} px, right {right} px", note)]


def _colour(proof: Proof) -> list[Row]:
    rivalry, ghosting = proof.colour.rivalry, proof.colour.ghosting
    leak = "leakage of these glasses is not published"
    if ghosting.known:
        leak = f"leak {_share(ghosting.left_leak)} left, {_share(ghosting.right_leak)} right"
    return [
        ("Glasses", proof.colour.glasses, f"method {proof.colour.method}"),
        *_filters(proof),
        (
            "Right eye over left eye",
            _number(rivalry.luminance_ratio, ".2f", "times as bright"),
            f"white: {_number(rivalry.filter_ratio, '.2f', 'times')}",
        ),
        (
            "In rivalry",
            _share(rivalry.rivalry_share),
            f"the eyes differ by more than {_share(rivalry.threshold, 0)}; contours are among it",
        ),
        ("In patches of rivalry", _share(rivalry.patch_share), f"at most {_share(RIVALRY_CARE, 0)} is well"),
        ("All but black for one eye", _share(rivalry.saturated_patch_share), "patches of saturated colours"),
        ("Ghosting, left eye", _share(ghosting.left_share), "of the points above 5 % contrast"),
        ("Ghosting, right eye", _share(ghosting.right_share), leak),
    ]


_FILTERS = {
    "own": ("as you measured them", "brightness for each eye and leaks are those of your glasses and screen"),
    "measured": ("as published", "one such pair before one screen was measured; yours will differ somewhat"),
    "modelled": ("modelled", "nobody has published a measurement; leaks are left out"),
    "ideal": ("ideal", "what such filters really pass is not known; yours will let more through"),
}


def _filters(proof: Proof) -> list[Row]:
    known = proof.colour.filters
    return [] if known is None else [("Filters", *_FILTERS[known])]


def _capture(proof: Proof) -> list[Row]:
    capture = proof.capture
    return [
        ("Exposure, right over left", _number(capture.exposure_stops, "+.2f", "stops"), ""),
        ("Colour difference", _share(capture.white_balance_shift), "red or blue against green"),
        ("Matched", _share(capture.matched_share, 0), "of the picture"),
        ("Sharp for one eye only", _share(capture.one_sided_share), "of the textured places"),
        ("Bright for one eye only", _share(capture.highlights_one_eye_share), "of the matched places"),
    ]


def _edges(proof: Proof) -> list[Row]:
    rows = []
    for name in ("left", "right", "top", "bottom"):
        cut = getattr(proof.edges, name)
        note = "" if cut.worst_px is None else f"up to {-cut.worst_px:.1f} px in front of the window"
        rows.append((name.capitalize(), _share(cut.share, 0), note))
    return rows
