"""Lens formulas against published tables and hand-computed values."""

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from nearpair.errors import NearpairError
from nearpair.optics import lens

# E. Savazzi, spreadsheet to "Digital Photography for Science", page "Dof depth of focus": depth of field
# in mm
# and effective f-number, printed to two digits; reproduced with a blur disc of 0.019 mm
SAVAZZI_NUMBERS = (1, 1.4, 2, 2.8, 4)
SAVAZZI = {
    0.1: "4.2/1.1 5.9/1.5 8.4/2.2 12/3.1 17/4.4",
    0.2: "1.1/1.2 1.6/1.7 2.3/2.4 3.2/3.4 4.6/4.8",
    0.3: ".55/1.3 .77/1.8 1.1/2.6 1.5/3.6 2.2/5.2",
    0.5: ".23/1.5 .32/2.1 .46/3 .64/4.2 .91/6",
    1: ".076/2 .11/2.8 .15/4 .21/5.6 .30/8",
    2: ".029/3 .040/4.2 .057/6 .080/8.4 .11/12",
    3: ".017/4 .024/5.6 .034/8 .047/11 .068/16",
    5: ".0091/6 .013/8.4 .018/12 .026/17 .036/24",
    10: ".0042/11 .0059/15 .0084/22 .012/31 .017/44",
    20: ".0020/21 .0028/29 .0040/42 .0056/59 .0080/84",
}
SAVAZZI_CELLS = [
    (m, n, *(float(part) for part in cell.split("/")))
    for m, row in SAVAZZI.items()
    for n, cell in zip(SAVAZZI_NUMBERS, row.split(), strict=True)
]


def half_a_digit(printed):
    """Half a unit in the second printed digit, with a hair for numbers that end in 5."""
    return 0.5001 * 10 ** (math.floor(math.log10(printed)) - 1)


@pytest.mark.parametrize(("m", "n", "depth_mm", "effective"), SAVAZZI_CELLS)
def test_published_close_up_table(m, n, depth_mm, effective):
    assert lens.close_up_depth_mm(n, 0.019, m) == pytest.approx(depth_mm, abs=half_a_digit(depth_mm))
    assert lens.effective_f_number(n, m) == pytest.approx(effective, abs=half_a_digit(effective))


# Grayheron, "A quick relook at macro depth of field": form with the pupil ratio; values worked out from it
@pytest.mark.parametrize(
    ("p", "depth_mm"), [(0.28, 2.1943), (0.5, 1.44), (0.7, 1.1657), (1, 0.96), (1.5, 0.8), (2, 0.72)]
)
def test_depth_of_field_with_pupil_ratio(p, depth_mm):
    assert lens.close_up_depth_mm(8, 0.03, 1, p) == pytest.approx(depth_mm, abs=6e-5)


# 2·N·c·(1 + m)/m² worked by hand, blur disc 0.03 mm
@pytest.mark.parametrize(
    ("m", "n", "depth_mm"),
    [(0.1, 2.8, 18.48), (0.25, 16, 19.2), (0.5, 11, 3.96), (1, 8, 0.96), (3, 5.6, 0.1493), (10, 22, 0.1452)],
)
def test_close_up_depth(m, n, depth_mm):
    assert lens.close_up_depth_mm(n, 0.03, m) == pytest.approx(depth_mm, abs=6e-5)


# Thin lens, worked out independently: near, far and total in mm
@pytest.mark.parametrize(
    ("focal_mm", "n", "blur_mm", "m", "near_mm", "far_mm", "total_mm"),
    [
        (50, 8, 0.03, 1, 0.47771, 0.48232, 0.96002),
        (100, 16, 0.02, 0.5, 1.90779, 1.93237, 3.84016),
        (100, 8, 0.02, 0.1, 17.3228, 17.8862, 35.2090),
    ],
)
def test_exact_depth_of_field(focal_mm, n, blur_mm, m, near_mm, far_mm, total_mm):
    depth = lens.depth_of_field(focal_mm, m, n, blur_mm)
    assert depth.near_depth_mm == pytest.approx(near_mm, rel=2e-5)
    assert depth.far_depth_mm == pytest.approx(far_mm, rel=2e-5)
    assert depth.total_mm == pytest.approx(total_mm, rel=2e-5)
    assert depth.total_mm == pytest.approx(lens.close_up_depth_mm(n, blur_mm, m), rel=3e-4)
    assert depth.distance_mm == pytest.approx(lens.subject_distance_mm(focal_mm, m))


@given(st.floats(10, 300), st.floats(0.0005, 5), st.floats(1, 32), st.floats(0.003, 0.05), st.floats(0.25, 3))
@settings(deadline=None)
def test_at_the_exact_limits_the_blur_disc_has_the_stated_size(focal_mm, m, n, blur_mm, p):
    depth = lens.depth_of_field(focal_mm, m, n, blur_mm, p)
    near_mm = depth.distance_mm - depth.near_depth_mm
    # section, in the focus plane, of the cone from the near limit to the entrance pupil; m times as wide
    # on the sensor
    assert focal_mm / n * depth.near_depth_mm / near_mm * m == pytest.approx(blur_mm, rel=1e-6)
    if math.isfinite(depth.far_depth_mm):
        far_mm = depth.distance_mm + depth.far_depth_mm
        assert focal_mm / n * depth.far_depth_mm / far_mm * m == pytest.approx(blur_mm, rel=1e-6)
    else:
        assert focal_mm / n * m <= blur_mm


def test_landscape_by_the_textbook_form():
    # With h = f²/(N·c): near limit h·u/(h + u - f), far limit h·u/(h - u + f), as in every handbook; from
    # memory
    m = lens.magnification_at(35, 3000)
    depth = lens.depth_of_field(35, m, 8, 0.03)
    hyperfocal = lens.hyperfocal_mm(35, 8, 0.03)
    assert hyperfocal == pytest.approx(5139.17, abs=0.005)
    h = hyperfocal - 35
    assert 3000 - depth.near_depth_mm == pytest.approx(h * 3000 / (h + 2965), rel=1e-9)
    assert 3000 + depth.far_depth_mm == pytest.approx(h * 3000 / (h - 2965), rel=1e-9)


@given(st.floats(10, 300), st.floats(1, 32), st.floats(0.003, 0.05))
@settings(deadline=None)
def test_focused_at_the_hyperfocal_distance_sharpness_reaches_from_half_of_it_on(focal_mm, n, blur_mm):
    hyperfocal = lens.hyperfocal_mm(focal_mm, n, blur_mm)
    depth = lens.depth_of_field(focal_mm, lens.magnification_at(focal_mm, hyperfocal), n, blur_mm)
    assert hyperfocal - depth.near_depth_mm == pytest.approx(hyperfocal / 2, rel=1e-6)
    assert depth.far_depth_mm > 1e6 * hyperfocal


# Elementary: a 50 mm lens at life size has everything at twice the focal length
def test_distances_and_magnification():
    assert lens.image_distance_mm(50, 1) == lens.subject_distance_mm(50, 1) == 100
    assert lens.image_distance_mm(60, 2) == 180
    assert lens.subject_distance_mm(60, 2) == 90
    assert lens.magnification_at(100, 300) == 0.5
    assert lens.entrance_pupil_distance_mm(100, 1, 0.5) == 300


@given(st.floats(10, 300), st.floats(0.001, 20))
@settings(deadline=None)
def test_thin_lens_equation(focal_mm, m):
    u, v = lens.subject_distance_mm(focal_mm, m), lens.image_distance_mm(focal_mm, m)
    assert 1 / u + 1 / v == pytest.approx(1 / focal_mm)
    assert lens.magnification_at(focal_mm, u) == pytest.approx(m)
    assert lens.entrance_pupil_distance_mm(focal_mm, m) == pytest.approx(u)


# Exposure for extension, worked by hand; 304.8 mm of bellows with a 150 mm lens is a factor of 4.129:
# from "By the numbers, useful formulas for the photographer"
@pytest.mark.parametrize(
    ("m", "stops"), [(1, 2.0), (2, 3.17), (0.5, 1.17), (5, 5.17), (304.8 / 150 - 1, math.log2(4.129)), (0, 0)]
)
def test_exposure_lost_close_up(m, stops):
    assert lens.exposure_loss_stops(m) == pytest.approx(stops, abs=6e-3)


# 2.44·0.55 um·N worked by hand; "about 4N/3 um" is the rule of thumb
@pytest.mark.parametrize(
    ("effective", "diameter_um"),
    [
        (2.8, 3.758),
        (5.6, 7.515),
        (8, 10.736),
        (11, 14.762),
        (16, 21.472),
        (22, 29.524),
        (32, 42.944),
        (64, 85.888),
    ],
)
def test_airy_disc(effective, diameter_um):
    assert lens.airy_um(effective) == pytest.approx(diameter_um, abs=6e-4)
    assert lens.airy_um(effective, 0.546) == pytest.approx(4 * effective / 3, rel=1e-3)


# N = c/(2.44·λ·(1 + m)) worked by hand for m = 0, 1, 2, 5
@pytest.mark.parametrize(
    ("limit_um", "numbers"),
    [
        (30, (22.35, 11.18, 7.45, 3.73)),
        (20, (14.90, 7.45, 4.97, 2.48)),
        (15, (11.18, 5.59, 3.73, 1.86)),
        (5, (3.73, 1.86, 1.24, 0.62)),
    ],
)
def test_f_number_for_an_airy_limit(limit_um, numbers):
    for m, expected in zip((0, 1, 2, 5), numbers, strict=True):
        number = lens.f_number_for_airy(limit_um, m)
        assert number == pytest.approx(expected, abs=6e-3)
        assert lens.airy_um(lens.effective_f_number(number, m)) == pytest.approx(limit_um)


# N = m/(1 + m)·√(T/(4.88·λ)) worked by hand
@pytest.mark.parametrize(
    ("m", "depth_mm", "number"),
    [(1, 5, 21.58), (1, 2, 13.65), (0.5, 10, 20.35), (2, 2, 18.20), (5, 0.5, 11.37)],
)
def test_best_f_number_for_one_frame(m, depth_mm, number):
    found = lens.f_number_for_depth(depth_mm, m)
    assert found == pytest.approx(number, abs=6e-3)
    effective = lens.effective_f_number(found, m)
    assert depth_mm * m**2 / (2 * effective) * 1000 == pytest.approx(lens.airy_um(effective))


def test_best_f_number_agrees_with_the_large_format_rule():
    # N = √(375·Δv), the rule of Hansma and Conrad (from memory); T·m² = Δv = 4 mm at life size, 0.546 um
    found = lens.effective_f_number(lens.f_number_for_depth(4, 1, wavelength_um=0.546), 1)
    assert found == pytest.approx(math.sqrt(375 * 4), rel=1e-3)


# Sensor diagonal over 1500: common practice, no source; diagonals by Pythagoras
@pytest.mark.parametrize(
    ("width_mm", "height_mm", "blur_mm"),
    [
        (36, 24, 0.0288),
        (23.5, 15.6, 0.0188),
        (22.3, 14.9, 0.0179),
        (17.3, 13, 0.0144),
        (13.2, 8.8, 0.0106),
        (44, 33, 0.0367),
    ],
)
def test_blur_limit_of_common_sensors(width_mm, height_mm, blur_mm):
    assert lens.blur_limit_mm(width_mm, height_mm) == pytest.approx(blur_mm, abs=6e-5)


# Nikon MicroscopyU, Depth of Field Calculator, formula 1 with λ 0.55 um in air: values worked out from it
@pytest.mark.parametrize(
    ("m", "aperture", "depths_um"),
    [
        (4, 0.10, (65.0, 71.25, 115.0)),
        (5, 0.14, (33.776, 37.347, 62.347)),
        (10, 0.25, (10.40, 11.40, 18.40)),
        (10, 0.28, (8.444, 9.337, 15.587)),
        (20, 0.40, (3.9375, 4.25, 6.4375)),
        (20, 0.42, (3.594, 3.892, 5.975)),
        (40, 0.65, (1.456, 1.552, 2.225)),
    ],
)
def test_depth_of_a_microscope_objective(m, aperture, depths_um):
    for resolved_um, depth_um in zip((4, 6.5, 24), depths_um, strict=True):
        assert lens.objective_depth_um(aperture, m, resolved_um) == pytest.approx(depth_um, abs=6e-4)


# "Biophotonics: Concepts to Applications", example 8.4: λ·n/NA² with n 1.51 and 0.78 um; the second term
# made tiny
@pytest.mark.parametrize(("aperture", "depth_um"), [(0.20, 29.4), (0.55, 3.89)])
def test_wave_part_of_the_objectives_depth(aperture, depth_um):
    found = lens.objective_depth_um(aperture, 1e9, 1, index=1.51, wavelength_um=0.78)
    assert found == pytest.approx(depth_um, rel=2e-3)


# NA = m/(2·N_eff) and λ/NA², worked by hand
@pytest.mark.parametrize(
    ("m", "n", "wave_depth_mm"), [(1, 8, 0.5632), (1, 4, 0.1408), (2, 5.6, 0.15523), (5, 2.8, 0.02484)]
)
def test_camera_lens_as_an_objective(m, n, wave_depth_mm):
    aperture = lens.numerical_aperture(lens.effective_f_number(n, m), m)
    assert 0.55e-3 / aperture**2 == pytest.approx(wave_depth_mm, abs=6e-6)
    # a detail of almost no size leaves the wave part alone
    assert lens.objective_depth_um(aperture, m, 1e-9) == pytest.approx(1000 * wave_depth_mm, abs=6e-3)


# u/(u - dz), worked by hand
@pytest.mark.parametrize(
    ("u_mm", "dz_mm", "scale"),
    [(200, 0.1, 1.000500), (200, 1, 1.005025), (200, 5, 1.025641), (90, 1, 1.011236), (150, 1, 1.006711)],
)
def test_scale_change_of_a_rail_stack(u_mm, dz_mm, scale):
    assert lens.rail_scale(u_mm, dz_mm) == pytest.approx(scale, abs=6e-7)
    assert lens.rail_scale(u_mm - dz_mm, -dz_mm) == pytest.approx(1 / scale, abs=2e-6)


# (v + dv)/v and -dv/m², worked by hand; the shift's small-step form is off by dv/(m·f + dv)
@pytest.mark.parametrize(
    ("focal_mm", "m", "extension_mm", "scale", "shift_mm"),
    [(100, 1, 1, 1.005, -1.0), (50, 0.5, 1, 1.01333, -4.0)],
)
def test_scale_change_of_a_ring_stack(focal_mm, m, extension_mm, scale, shift_mm):
    v_mm = lens.image_distance_mm(focal_mm, m)
    assert lens.ring_scale(v_mm, extension_mm) == pytest.approx(scale, abs=6e-6)
    exact = lens.ring_focus_shift_mm(focal_mm, m, extension_mm)
    assert exact == pytest.approx(shift_mm * m * focal_mm / (m * focal_mm + extension_mm))
    assert lens.ring_focus_shift_mm(focal_mm, m, 1e-6) * 1e6 == pytest.approx(shift_mm, rel=1e-3)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: lens.image_distance_mm(0, 1), "focal_mm must be a finite number above 0 mm, found 0"),
        (lambda: lens.subject_distance_mm(50, 0), "magnification must be a finite number above 0, found 0"),
        (lambda: lens.magnification_at(50, 50), "distance_mm must be above the focal length of 50 mm"),
        (lambda: lens.effective_f_number(-8, 1), "f_number must be"),
        (lambda: lens.effective_f_number(8, -1), "magnification must be"),
        (lambda: lens.effective_f_number(8, 1, 0), "pupil_ratio must be"),
        (lambda: lens.close_up_depth_mm(8, math.nan, 1), "blur_mm must be .* found nan"),
        (lambda: lens.close_up_depth_mm(8, 0.03, 0), "magnification must be"),
        (lambda: lens.depth_of_field(50, 1, 8, 0), "blur_mm must be"),
        (lambda: lens.hyperfocal_mm(50, 0, 0.03), "f_number must be"),
        (lambda: lens.blur_limit_mm(36, 0), "sensor_height_mm must be"),
        (lambda: lens.airy_um(math.inf), "effective_number must be .* found inf"),
        (lambda: lens.f_number_for_airy(0, 1), "limit_um must be"),
        (lambda: lens.f_number_for_depth(0, 1), "depth_mm must be"),
        (lambda: lens.objective_depth_um(0, 10, 4), "aperture must be"),
        (lambda: lens.numerical_aperture(8, 0), "magnification must be"),
        (lambda: lens.rail_scale(90, 90), "advance_mm must be below the distance of 90 mm"),
        (lambda: lens.ring_scale(100, -100), "image distance after the extension must be"),
        (lambda: lens.ring_focus_shift_mm(50, 0.1, -5), "magnification after the extension must be"),
    ],
)
def test_impossible_values_are_named(call, message):
    with pytest.raises(NearpairError, match=message):
        call()
