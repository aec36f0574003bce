"""The lens close up: distances, magnification, depth of field, diffraction and change of scale.

`magnification` is the size on the sensor over the size of the subject (1 is life size). `pupil_ratio` is
the diameter of the exit pupil over that of the entrance pupil (1 for a symmetrical lens; marked telephoto
designs are below 1, reversed wide-angles above). `f_number` is the number on the ring. Depth of field
follows from the cone of light through the entrance pupil and is exact for a lens without aberrations, from
several times life size to landscapes; the close-up form is its limit for depths small against the distance.

Sources: J. Conrad, Depth of Field in Depth (2004/2006) for the geometry (origin; read where other authors
derive it); Nikon MicroscopyU, Depth of Field Calculator, for the microscope objective. Where a formula is
elementary geometry the function says no more.
"""

import math
from dataclasses import dataclass

from nearpair.errors import NearpairError
from nearpair.optics import sources
from nearpair.optics.checks import positive


@dataclass(frozen=True, slots=True)
class DepthOfField:
    """How far sharpness reaches from the focus plane: towards the camera and away from it, in mm.

    `far_depth_mm` is inf if everything behind is sharp. `distance_mm` is that of the focus plane from the
    entrance pupil.
    """

    near_depth_mm: float
    far_depth_mm: float
    distance_mm: float

    @property
    def total_mm(self) -> float:
        """Whole depth of field in mm."""
        return self.near_depth_mm + self.far_depth_mm


def image_distance_mm(focal_mm: float, magnification: float) -> float:
    """Distance of the sensor from the rear principal plane: f·(1 + m). Thin lens, elementary."""
    positive("focal_mm", focal_mm, "mm")
    positive("magnification", magnification)
    return focal_mm * (1 + magnification)


def subject_distance_mm(focal_mm: float, magnification: float) -> float:
    """Distance of the focus plane from the front principal plane: f·(1 + 1/m). Thin lens, elementary."""
    positive("focal_mm", focal_mm, "mm")
    positive("magnification", magnification)
    return focal_mm * (1 + 1 / magnification)


def magnification_at(focal_mm: float, distance_mm: float) -> float:
    """Magnification f/(u - f) of a subject at distance u from the front principal plane. Thin lens.

    Raises NearpairError unless the subject is farther away than the focal length.
    """
    positive("focal_mm", focal_mm, "mm")
    positive("distance_mm", distance_mm, "mm")
    if distance_mm <= focal_mm:
        raise NearpairError(
            f"distance_mm must be above the focal length of {focal_mm:g} mm, found {distance_mm:g}.",
            "Measure from the lens to the subject: nearer than the focal length nothing comes into focus.",
        )
    return focal_mm / (distance_mm - focal_mm)


def magnification_of_field(sensor_width_mm: float, field_width_mm: float) -> float:
    """Magnification at which a frame shows a width of the plane of focus: W/F. Elementary."""
    positive("sensor_width_mm", sensor_width_mm, "mm")
    positive("field_width_mm", field_width_mm, "mm")
    return sensor_width_mm / field_width_mm


def entrance_pupil_distance_mm(focal_mm: float, magnification: float, pupil_ratio: float = 1.0) -> float:
    """Distance of the focus plane from the entrance pupil: f·(1/m + 1/p). Elementary."""
    positive("focal_mm", focal_mm, "mm")
    positive("magnification", magnification)
    positive("pupil_ratio", pupil_ratio)
    return focal_mm * (1 / magnification + 1 / pupil_ratio)


def effective_f_number(f_number: float, magnification: float, pupil_ratio: float = 1.0) -> float:
    """f-number that the sensor sees: N·(1 + m/p). Source: Conrad (2004/2006).

    Example: f/8 at life size is f/16 to the sensor.
    """
    positive("f_number", f_number)
    positive("pupil_ratio", pupil_ratio)
    if magnification != 0:  # 0: focused at infinity
        positive("magnification", magnification)
    return f_number * (1 + magnification / pupil_ratio)


def exposure_loss_stops(magnification: float, pupil_ratio: float = 1.0) -> float:
    """Light lost to the long image distance, in stops: 2·log2(1 + m/p). Life size costs two stops."""
    return 2 * math.log2(effective_f_number(1.0, magnification, pupil_ratio))


def close_up_depth_mm(
    f_number: float, blur_mm: float, magnification: float, pupil_ratio: float = 1.0
) -> float:
    """Total depth of field close up: 2·N·c·(1 + m/p)/m². Source: Conrad (2004/2006).

    `blur_mm` is the largest blur disc c that passes for sharp, on the sensor. Within 0.03 % of the exact form
    from a tenth of life size upwards. Example: f/8, 0.03 mm, life size: 0.96 mm.
    """
    positive("blur_mm", blur_mm, "mm")
    positive("magnification", magnification)
    return 2 * effective_f_number(f_number, magnification, pupil_ratio) * blur_mm / magnification**2


def depth_of_field(
    focal_mm: float, magnification: float, f_number: float, blur_mm: float, pupil_ratio: float = 1.0
) -> DepthOfField:
    """Exact near and far limits around the focus plane, from macro to landscapes.

    With pupil diameter D = f/N and pupil distance u, the disc c/m in the focus plane is the section of the
    cone from a point at distance u - x or u + x: x = (c/m)·u / (D ± c/m). Elementary geometry.
    """
    positive("f_number", f_number)
    positive("blur_mm", blur_mm, "mm")
    distance_mm = entrance_pupil_distance_mm(focal_mm, magnification, pupil_ratio)
    pupil_mm, disc_mm = focal_mm / f_number, blur_mm / magnification
    reach = disc_mm * distance_mm
    far_mm = reach / (pupil_mm - disc_mm) if pupil_mm > disc_mm else math.inf
    return DepthOfField(reach / (pupil_mm + disc_mm), far_mm, distance_mm)


def hyperfocal_mm(focal_mm: float, f_number: float, blur_mm: float) -> float:
    """Nearest focus distance that keeps infinity sharp: f²/(N·c) + f, from the lens. Elementary."""
    positive("focal_mm", focal_mm, "mm")
    positive("f_number", f_number)
    positive("blur_mm", blur_mm, "mm")
    return focal_mm**2 / (f_number * blur_mm) + focal_mm


def blur_limit_mm(
    sensor_width_mm: float, sensor_height_mm: float, share: float = sources.BLUR_OF_DIAGONAL.value
) -> float:
    """Largest blur that passes for sharp: a share of the sensor diagonal. Common practice, no source."""
    positive("sensor_width_mm", sensor_width_mm, "mm")
    positive("sensor_height_mm", sensor_height_mm, "mm")
    positive("share", share)
    return math.hypot(sensor_width_mm, sensor_height_mm) * share


def airy_um(effective_number: float, wavelength_um: float = sources.GREEN_LIGHT_UM.value) -> float:
    """Diameter of the Airy disc on the sensor (first dark ring), in um: 2.44·λ·N_eff.

    Source: Born & Wolf, Principles of Optics, 7th ed. (1999), from memory. Example: f/8 effective: 10.7 um.
    """
    positive("effective_number", effective_number)
    positive("wavelength_um", wavelength_um, "um")
    return sources.AIRY_DIAMETER_FACTOR.value * wavelength_um * effective_number


def f_number_for_airy(
    limit_um: float,
    magnification: float,
    pupil_ratio: float = 1.0,
    wavelength_um: float = sources.GREEN_LIGHT_UM.value,
) -> float:
    """Largest f-number on the ring whose Airy disc is no wider than `limit_um` at this magnification."""
    positive("limit_um", limit_um, "um")
    return limit_um / airy_um(effective_f_number(1.0, magnification, pupil_ratio), wavelength_um)


def f_number_for_depth(
    depth_mm: float,
    magnification: float,
    pupil_ratio: float = 1.0,
    wavelength_um: float = sources.GREEN_LIGHT_UM.value,
) -> float:
    """Best f-number on the ring for a single frame of a subject `depth_mm` deep.

    Defocus at both ends is then as wide as the Airy disc: N_eff = √(T·m²/(2·2.44·λ)). Source: the large-
    format rule of Hansma and Conrad, from memory.
    """
    positive("depth_mm", depth_mm, "mm")
    positive("wavelength_um", wavelength_um, "um")
    spread_um = 1000 * depth_mm * magnification**2
    best = math.sqrt(spread_um / (2 * sources.AIRY_DIAMETER_FACTOR.value * wavelength_um))
    return best / effective_f_number(1.0, magnification, pupil_ratio)


def numerical_aperture(effective_number: float, magnification: float) -> float:
    """Numerical aperture on the subject's side: m/(2·N_eff). Elementary (small angles)."""
    positive("effective_number", effective_number)
    positive("magnification", magnification)
    return magnification / (2 * effective_number)


def objective_depth_um(
    aperture: float,
    magnification: float,
    resolved_um: float,
    index: float = 1.0,
    wavelength_um: float = sources.GREEN_LIGHT_UM.value,
) -> float:
    """Total depth of field of a microscope objective, in um: λ·n/NA² + n·e/(M·NA).

    `aperture` is NA, `resolved_um` the smallest distance e resolved on the sensor, `index` the refractive
    index in front. Source: Nikon MicroscopyU, Depth of Field Calculator, formula 1. (The well-known table
    of depths beside it does not follow from this formula.)
    """
    for name, value, unit in (
        ("aperture", aperture, ""),
        ("magnification", magnification, ""),
        ("resolved_um", resolved_um, "um"),
        ("index", index, ""),
        ("wavelength_um", wavelength_um, "um"),
    ):
        positive(name, value, unit)
    return wavelength_um * index / aperture**2 + index * resolved_um / (magnification * aperture)


def rail_scale(pupil_distance_mm: float, advance_mm: float) -> float:
    """How much larger a plane gets when the camera moves `advance_mm` towards it: u/(u - dz).

    `pupil_distance_mm` is the plane's distance u from the entrance pupil before the move. Elementary.
    """
    positive("pupil_distance_mm", pupil_distance_mm, "mm")
    if not advance_mm < pupil_distance_mm:
        raise NearpairError(
            f"advance_mm must be below the distance of {pupil_distance_mm:g} mm, found {advance_mm}.",
            "Keep the camera in front of the subject.",
        )
    return pupil_distance_mm / (pupil_distance_mm - advance_mm)


def ring_scale(image_distance_before_mm: float, extension_mm: float) -> float:
    """How much larger the picture gets when the lens moves out by `extension_mm`: (v + dv)/v. Elementary."""
    positive("image_distance_before_mm", image_distance_before_mm, "mm")
    positive("image distance after the extension", image_distance_before_mm + extension_mm, "mm")
    return (image_distance_before_mm + extension_mm) / image_distance_before_mm


def ring_focus_shift_mm(focal_mm: float, magnification: float, extension_mm: float) -> float:
    """How far the focus plane moves, seen from the lens, when it moves out by `extension_mm`.

    Negative: towards the lens. Exact thin lens; for small extensions -extension/m².
    """
    after = magnification + extension_mm / focal_mm  # v = f·(1 + m)
    positive("magnification after the extension", after)
    return subject_distance_mm(focal_mm, after) - subject_distance_mm(focal_mm, magnification)
