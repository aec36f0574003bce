"""Every rule: it speaks when its measurement calls for it, stays silent otherwise, and says what to do."""

import msgspec
import numpy as np
import pytest

from nearpair.colour.glasses import GLASSES
from nearpair.colour.light import encode_srgb
from nearpair.optics.viewing import Viewing
from nearpair.outputs.anaglyph import anaglyph
from nearpair.proof import findings_view
from nearpair.proof.advice import advise, ranked, verdict
from nearpair.proof.assemble import assemble
from nearpair.proof.model import DepthOfField, EyeCue, Focus, FocusGap, Residual, SetAside, ViewsLight
from nearpair.proof.model_advice import Finding
from nearpair.proof.model_look import EdgeCut

replace = msgspec.structs.replace


def _codes(proof):
    return {finding.code: finding for finding in advise(proof)}


def _with_station(proof, **changes):
    return replace(proof, stations=[replace(proof.stations[0], **changes), *proof.stations[1:]])


def _with_focus(proof, **changes):
    return _with_station(proof, focus=replace(proof.stations[0].focus, **changes))


def test_a_sound_pair_is_ready(proof):
    assert [f for f in proof.advice if f.severity != "note"] == []
    assert proof.verdict == "ready"


def test_verdict_is_the_most_serious_finding():
    def finding(severity):
        return Finding(code="x", severity=severity, text="", remedy="")

    note, care, rework = finding("note"), finding("care"), finding("rework")
    assert verdict([]) == verdict([note]) == "ready"
    assert verdict([note, care]) == "with care"
    assert verdict([care, rework, note]) == "rework"
    assert ranked([note, care, rework]) == [rework, care, note]


def test_contradicting_eyes_ask_for_rework_and_name_both_commands(proof):
    found = _codes(replace(proof, eyes=replace(proof.eyes, contradiction="Focus and folder names disagree.")))
    finding = found["eyes-contradiction"]
    assert finding.severity == "rework"
    assert "--left east --right west" in finding.remedy
    assert "--left west --right east" in finding.remedy


def test_uncertain_eyes_and_names_that_say_otherwise(proof):
    unsure = _codes(replace(proof, eyes=replace(proof.eyes, confidence=0.6)))
    assert unsure["eyes-uncertain"].severity == "care"
    cue = EyeCue(cue="folder names", left="east", weight=0.3)
    named = _codes(replace(proof, eyes=replace(proof.eyes, evidence=[cue])))
    assert "east is the left eye" in named["eyes-swapped-folders"].text
    agreeing = replace(cue, left="west")
    assert "eyes-swapped-folders" not in _codes(replace(proof, eyes=replace(proof.eyes, evidence=[agreeing])))


@pytest.mark.parametrize(
    ("gap", "severity"),
    [
        (FocusGap(after_frame=2, width_steps=2.0, unsharp_fraction=0.05), "rework"),
        (FocusGap(after_frame=2, width_steps=2.0, unsharp_fraction=0.01), "care"),
        (FocusGap(after_frame=2, width_steps=2.0, unsharp_fraction=0.0005), "note"),
        (FocusGap(after_frame=2, width_steps=2.0), "rework"),
        (FocusGap(after_frame=2, width_steps=1.5), "care"),
    ],
)
def test_a_missing_slice_names_the_frames_around_it(proof, gap, severity):
    finding = _codes(_with_focus(proof, gaps=[gap]))["missing-slice"]
    assert finding.severity == severity
    assert "west, between frames 3 and 4 (west_2.jpg and west_3.jpg)" in finding.text


def test_gaps_of_stations_outside_the_pair_are_left_alone(proof):
    other = replace(
        proof.stations[0], name="middle", focus=Focus(covered_fraction=0.5, gaps=[FocusGap(after_frame=0)])
    )
    assert "missing-slice" not in _codes(replace(proof, stations=[*proof.stations, other]))


def test_stacks_that_begin_or_end_inside_the_subject(proof):
    late = _codes(_with_focus(proof, starts_sharp=True))["stack-starts-late"]
    assert "the far side" in late.text
    assert late.measured == "10.0 % of the view is sharpest in the first frame"
    early = _codes(_with_focus(proof, ends_sharp=True))["stack-ends-early"]
    assert "the near side" in early.text
    turned = _with_focus(_with_station(proof, order="near-to-far"), starts_sharp=True)
    assert "the near side" in _codes(turned)["stack-starts-late"].text


def test_single_frames_say_what_depth_of_field_cost(proof):
    def single(unsharp):
        return _with_station(proof, kind="single", depth_of_field=DepthOfField(unsharp_fraction=unsharp))

    assert _codes(single(0.5))["single-frame-unsharp"].severity == "rework"
    assert _codes(single(0.1))["single-frame-unsharp"].severity == "care"
    assert "focus stack for each eye" in _codes(single(0.1))["single-frame-unsharp"].remedy
    assert "single-frame-unsharp" not in _codes(single(0.001))


def test_coverage_order_and_files_set_aside(proof):
    assert _codes(_with_focus(proof, covered_fraction=0.6))["unsharp-parts"].severity == "note"
    assert "order-uncertain" in _codes(_with_station(proof, order_confidence=0.4))
    one = SetAside(file="P_0001.jpg", reason="truncated")
    assert _codes(replace(proof, set_aside=[one]))["set-aside"].severity == "note"
    many = _codes(replace(proof, set_aside=[one] * 5))["set-aside"]
    assert many.severity == "care"
    assert "P_0001.jpg and 4 more. truncated" in many.text


@pytest.mark.parametrize(
    ("stops", "severity"), [(-0.2, None), (0.6, "care"), (-0.6, "care"), (1.5, "rework")]
)
def test_exposure_difference(proof, stops, severity):
    capture = replace(proof.capture, exposure_ratio=2**stops, exposure_stops=stops)
    found = _codes(replace(proof, capture=capture)).get("exposure-difference")
    assert (found and found.severity) == severity


def test_white_balance_difference(proof):
    capture = replace(proof.capture, white_balance_shift=0.2)
    assert "20 %" in _codes(replace(proof, capture=capture))["white-balance-difference"].measured


def _light(proof, stops, left_over, shift=0.0, **light):
    capture = replace(proof.capture, exposure_ratio=2**stops, exposure_stops=stops, white_balance_shift=shift)
    if light.get("evened"):
        capture = replace(capture, left_over_stops=left_over, left_over_shift=0.01)
    mounting = replace(proof.mounting, light=ViewsLight(stops=stops, white_balance_shift=shift, **light))
    return _codes(replace(proof, capture=capture, mounting=mounting))


@pytest.mark.parametrize(
    ("stops", "left_over", "severity"), [(-0.15, 0.0, None), (-0.6, 0.0, "note"), (0.6, 0.5, "care")]
)
def test_views_that_were_evened_are_told_of_by_what_is_left(proof, stops, left_over, severity):
    found = _light(proof, stops, left_over, evened=True).get("exposure-difference")
    assert (found and found.severity) == severity
    assert found is None or (f"{stops:+.2f} stops as shot" in found.measured and not found.fixes)


def test_a_view_that_was_much_too_dark_is_to_be_looked_at_though_it_was_evened(proof):
    found = _light(proof, -1.5, 0.0, evened=True)["exposure-difference"]
    assert found.severity == "care"
    assert "noise in its shadows" in found.remedy


def test_views_left_as_shot_can_be_evened_without_new_frames(proof):
    why = "left as shot: only 40 % of the parts of the picture show the same difference, so that it may be "
    found = _light(proof, -0.6, 0.0, 0.12, note=why + "the subject's own")
    for code in ("exposure-difference", "white-balance-difference"):
        assert found[code].severity == "care"
        assert [fix.decides for fix in found[code].fixes] == [{"mounting.light": "even"}]
        assert "It was left as shot: only 40 %" in found[code].remedy


def test_too_deep_offers_the_window_when_that_is_enough(lab):
    # 38 px of 320 over 200 mm are 23.8 mm behind, beyond one degree (10.5 mm at 600 mm); but near to far are
    # 17.5 mm only, less than the 21.0 mm that one degree either side gives.
    parallax = lab.layered_parallax(10, 38)
    deep = assemble(lab.make_inputs(parallax))
    finding = _codes(deep)["too-deep-for-screen"]
    assert "--window auto" in finding.remedy
    assert "stereo base" not in finding.remedy


def test_too_deep_altogether_asks_for_a_smaller_base_and_screen(lab):
    parallax = lab.layered_parallax(-30, 30)
    found = _codes(assemble(lab.make_inputs(parallax, viewing=Viewing(300, 600))))["too-deep-for-screen"]
    # 60 px of 320 over 300 mm are 56.25 mm; one degree either side leaves 21.0 mm
    assert "at most 0.37 times this one" in found.remedy
    assert "at most 112 mm wide" in found.remedy
    # and something is left for the crop: 0.95 of 0.373
    assert "`nearpair mount SHOOT --base-share 0.35 --window auto`" in found.remedy
    assert found.severity == "rework"


def test_advice_on_a_reduced_base_is_in_shares_of_the_base_as_shot(lab):
    """As above, when the pair is seen from half of its base already: half of both."""
    half = lab.mounting(base_share=0.5, filled_share=0.004)
    inputs = lab.make_inputs(lab.layered_parallax(-30, 30), viewing=Viewing(300, 600), mounting=half)
    found = _codes(assemble(inputs))
    assert "--base-share 0.17 --window auto" in found["too-deep-for-screen"].remedy
    assert "at most 0.19 times this one" in found["too-deep-for-screen"].remedy
    told = found["base-reduced"]
    assert told.severity == "note"
    assert "50 % of the stereo base" in told.text
    assert "0.40 % of the right picture" in told.measured
    assert "--base-share 1`" in told.remedy


def test_where_no_eye_may_turn_outwards_the_base_is_smaller_still(lab):
    """From 4 m one degree is 69.8 mm, but some eyes stand 50 mm apart (Dodgson 2004): 119.8 of 187.5 mm."""
    deep = lab.make_inputs(lab.layered_parallax(-10, 50), viewing=Viewing(1000, 4000))
    assert "--base-share 0.60 --window auto" in _codes(assemble(deep))["too-deep-for-screen"].remedy


def test_a_pair_made_flat_gets_its_base_back(lab):
    flat = lab.make_inputs(lab.layered_parallax(0, 1), mounting=lab.mounting(base_share=0.25))
    assert "--base-share 1.00`" in _codes(assemble(flat))["flat"].remedy


def test_flat_pairs_ask_for_a_wider_base_in_numbers(lab):
    parallax = lab.layered_parallax(0, 1)
    stations = [lab.station("west", offset_mm=-1.5), lab.station("east", offset_mm=1.5)]
    found = assemble(lab.make_inputs(parallax, stations=stations))
    finding = _codes(found)["flat"]
    wanted = 3.0 * 40 / found.depth.relief.range_arcmin
    assert f"about {wanted:.1f} mm instead of 3.0 mm" in finding.remedy
    assert "times as wide" in _codes(assemble(lab.make_inputs(parallax)))["flat"].remedy
    assert found.verdict == "with care"


@pytest.mark.parametrize(
    ("side", "share", "worst_px", "severity"),
    [
        ("left", 0.3, -5.0, "care"),
        ("right", 0.02, -5.0, "note"),
        ("right", 0.7, -5.0, "rework"),
        ("left", 0.7, -2.0, "care"),
        ("left", 0.005, -9.0, None),
        ("top", 0.9, -9.0, "note"),
        ("bottom", 0.02, -9.0, None),
    ],
)
def test_window_cuts(proof, side, share, worst_px, severity):
    cut = EdgeCut(share=share, worst_px=worst_px, place=(3, 90))
    found = _codes(replace(proof, edges=replace(proof.edges, **{side: cut}))).get(f"window-cut-{side}")
    assert (found and found.severity) == severity
    assert found is None or "`nearpair mount SHOOT --window near`" in found.remedy


@pytest.mark.parametrize("side", ["left", "right"])
@pytest.mark.parametrize(("rows", "severity"), [(20, None), (80, "note"), (160, "care")])
def test_a_crowded_side(lab, side, rows, severity):
    """Planted: a block in front of the window in a side's tenth, which the edge itself does not cut."""
    parallax = np.full((lab.height, lab.width), 5.0, np.float32)
    columns = slice(10, 32) if side == "left" else slice(-32, -10)
    parallax[20 : 20 + rows, columns] = -4
    proof = assemble(lab.make_inputs(parallax, views=_two_greys(lab)))
    found = {code: f for code, f in _codes(proof).items() if code.startswith("crowded")}
    assert [f.severity for f in found.values()] == ([] if severity is None else [severity])
    if severity is not None:
        assert set(found) == {f"crowded-{side}"}
        tenth = "0 to 32" if side == "left" else "288 to 319"
        assert tenth in found[f"crowded-{side}"].measured
        assert found[f"crowded-{side}"].fixes
    if severity is not None:  # what the edge cuts is told as cut
        parallax[20 : 20 + rows, :32] = parallax[20 : 20 + rows, -32:] = -4
        cut = _codes(assemble(lab.make_inputs(parallax, views=_two_greys(lab))))
        assert not [code for code in cut if code.startswith("crowded")]


def test_a_ghost_is_told_with_the_point_for_the_window(lab):
    """One bright bar with parallax on black: the window belongs on it; crop_px is added."""
    parallax = np.zeros((lab.height, lab.width), np.float32)
    left = np.full((lab.height, lab.width, 3), 40, np.uint8)
    right = left.copy()
    left[60:140, 150:190] = right[60:140, 162:202] = 230
    parallax[60:140, 138:190] = 12
    inputs = lab.make_inputs(parallax, views=(left, right), method="grey")
    point = assemble(inputs).colour.ghosting.worst_point_px
    x, y = point[0] - inputs.mounting.crop_px[0], point[1] - inputs.mounting.crop_px[1]
    assert 130 <= x <= 205
    assert 60 <= y < 140
    told = [f.remedy for f in findings_view.ghosting(assemble(inputs))]
    assert not told or f"--window {point[0]},{point[1]}`" in told[0]


def test_red_subjects_in_colour_anaglyphs(lab):
    parallax = np.zeros((lab.height, lab.width), np.float32)
    red = np.full((lab.height, lab.width, 3), (220, 25, 20), np.uint8)
    views = (red, red)
    worst = _codes(assemble(lab.make_inputs(parallax, views=views, method="colour")))["red-rivalry"]
    assert worst.severity == "rework"
    assert "least-squares" in worst.remedy
    assert "red-rivalry" not in _codes(assemble(lab.make_inputs(parallax, views=views, method="grey")))
    other = assemble(lab.make_inputs(parallax, views=views, method="colour", glasses="green-magenta"))
    assert "colour-rivalry" in _codes(other)


def test_vertical_residual(proof):
    def with_residual(rms, p95, p95_arcmin):
        mounting = replace(proof.mounting, residual_vertical_px=Residual(rms=rms, p95=p95))
        comfort = replace(proof.comfort, vertical_p95_arcmin=p95_arcmin)
        return _codes(replace(proof, mounting=mounting, comfort=comfort)).get("vertical-residual")

    assert with_residual(0.9, 1.9, 3.0) is None
    assert with_residual(1.4, 2.9, 3.0).severity == "care"
    assert with_residual(0.5, 0.9, 12.0).severity == "care"
    assert with_residual(6.0, 12.0, 25.0).severity == "rework"
    assert with_residual(None, None, None) is None


def test_pairs_that_do_not_match(lab):
    nothing = assemble(
        lab.make_inputs(np.full((lab.height, lab.width), np.nan, np.float32), views=_two_greys(lab))
    )
    assert nothing.verdict == "rework"
    assert nothing.advice[0].code == "depth-unknown"
    parallax = np.full((lab.height, lab.width), np.nan, np.float32)
    parallax[:20] = 2
    assert "depth-mostly-unknown" in _codes(assemble(lab.make_inputs(parallax, views=_two_greys(lab))))


def _two_greys(lab):
    grey = np.full((lab.height, lab.width, 3), 90, np.uint8)
    return grey, grey


@pytest.mark.parametrize(("even", "code"), [(0.01, "exposure-difference"), (0.07, "red-rivalry")])
def test_rivalry_that_goes_with_even_exposure_is_told_as_exposure(proof, even, code):
    rivalry = replace(proof.colour.rivalry, patch_share=0.08, even_patch_share=even)
    capture = replace(proof.capture, exposure_ratio=0.8, exposure_stops=-0.32)
    told = _codes(replace(proof, colour=replace(proof.colour, rivalry=rivalry), capture=capture))
    assert {found for found in told if told[found].severity != "note"} == {code}
    assert ("1.0 % with views equally bright" in told["exposure-difference"].measured) == (even == 0.01)


def test_what_a_darker_view_puts_in_rivalry_is_measured(lab):
    """A red that is just within the limit through the glasses leaves it when a view gets 0.32 stops less."""
    parallax = np.full((lab.height, lab.width), 3.0, np.float32)
    light = np.broadcast_to(np.float32([0.3, 0.105, 0.1]), (*parallax.shape, 3))
    views = [encode_srgb(np.ascontiguousarray(light * np.float32(gain)), np.uint8) for gain in (1.0, 0.8)]
    glasses = GLASSES["red-cyan"]
    inputs = lab.make_inputs(
        parallax, views=views, method="colour", mix=lambda one, other: anaglyph(one, other, glasses, "colour")
    )
    seen = assemble(inputs).colour.rivalry
    assert seen.patch_share > 0.9
    assert seen.even_patch_share == 0


def test_dust_is_told_with_its_place(proof):
    assert "sensor-dust" not in _codes(proof)
    told = _codes(replace(proof, dust_px=[(40, 60), (200, 90)]))["sensor-dust"]
    assert told.severity == "note"
    assert "column 40, row 60" in told.measured


def test_ghosting_is_a_note(proof):
    ghosting = replace(proof.colour.ghosting, left_share=0.4)
    found = _codes(replace(proof, colour=replace(proof.colour, ghosting=ghosting)))["ghosting"]
    assert found.severity == "note"
    unknown = replace(ghosting, known=False)
    assert "ghosting" not in _codes(replace(proof, colour=replace(proof.colour, ghosting=unknown)))


def test_the_other_file_of_one_exposure_is_no_missing_frame(proof):
    raw = SetAside(file="P_0001.dng", reason="It is the same exposure as P_0001.jpg.", doubled=True)
    assert "set-aside" not in _codes(replace(proof, set_aside=[raw] * 40))
    missing = SetAside(file="P_0002.jpg", reason="truncated")
    assert _codes(replace(proof, set_aside=[raw] * 40 + [missing]))["set-aside"].severity == "note"
