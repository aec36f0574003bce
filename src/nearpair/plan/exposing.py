"""The f-number and what it gives: depth of field of one frame, with diffraction counted in."""

import math

from nearpair.errors import NearpairError
from nearpair.optics import lens, sharpness
from nearpair.plan.framing import Framing
from nearpair.plan.model import Optics
from nearpair.plan.request import Request


def exposed(request: Request, framing: Framing) -> Optics:
    """Choose the f-number, or check the one that was given.

    Raises NearpairError past diffraction: where the Airy disc alone is wider than the blur that passes.
    """
    camera, m, pupil = request.camera, framing.magnification, request.camera.pupil_ratio
    blur_mm = sharpness.seen_blur_mm(camera.sensor_width_mm, request.viewing)
    balanced = sharpness.balanced_f_number(blur_mm, m, pupil)
    largest = lens.f_number_for_airy(1000 * blur_mm, m, pupil)
    number = sharpness.third_stop_below(balanced) if camera.f_number is None else camera.f_number
    effective = lens.effective_f_number(number, m, pupil)
    _check_diffraction(number, balanced, largest, blur_mm, lens.airy_um(effective))
    defocus_mm = sharpness.defocus_left_mm(blur_mm, effective)
    depth = lens.depth_of_field(camera.focal_mm, m, number, defocus_mm, pupil)
    return Optics(
        sensor_width_mm=camera.sensor_width_mm,
        sensor_height_mm=camera.sensor_height_mm,
        focal_mm=camera.focal_mm,
        magnification=m,
        field_width_mm=camera.sensor_width_mm / m,
        distance_mm=framing.distance_mm,
        pupil_ratio=pupil,
        f_number=number,
        f_number_chosen=camera.f_number is None,
        balanced_f_number=balanced,
        largest_f_number=largest,
        effective_f_number=effective,
        exposure_loss_stops=lens.exposure_loss_stops(m, pupil),
        passing_blur_um=1000 * blur_mm,
        diffraction_blur_um=lens.airy_um(effective),
        depth_of_field_mm=depth.total_mm,
        hyperfocal_mm=lens.hyperfocal_mm(camera.focal_mm, number, defocus_mm),
        frame_width_px=camera.width_px,
    )


def defocus_mm(optics: Optics) -> float:
    """Find what diffraction leaves of the blur that passes, on the sensor."""
    return math.sqrt(optics.passing_blur_um**2 - optics.diffraction_blur_um**2) / 1000


def _check_diffraction(
    number: float, balanced: float, largest: float, blur_mm: float, airy_um: float
) -> None:
    # a frame needs some room for defocus, else its depth of field is nothing
    if airy_um < 1000 * blur_mm * 0.995:
        return
    raise NearpairError(
        f"f/{number:.3g} is past diffraction: at this magnification it blurs every point by {airy_um:.0f} um "
        f"on the sensor, and at this picture size no more than {1000 * blur_mm:.0f} um pass for sharp.",
        f"f/{sharpness.third_stop_below(0.95 * largest):.2g} is the smallest aperture that works, "
        f"f/{sharpness.third_stop_below(balanced):.2g} takes the fewest frames. A smaller picture "
        "(--screen-width) or a farther viewer (--distance) lets more pass.",
    )
