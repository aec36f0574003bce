"""Stereo base: how far apart to shoot, and what a base gives, for two cameras with parallel axes.

Distances are measured from the entrance pupil, `far_mm` may be inf. `deviation_mm` is the difference of the
horizontal parallax of the nearest and the farthest point, on the sensor; 1/30 of the sensor width is the
customary amount. The general formula asks for far too much base when a close subject is shallow: always
look at `overlap` and at `roundness_base_mm` as well.

Sources: J. Bercovitz, Image-side perspective and stereoscopy, Proc. SPIE 3295 (1998) 288-298, for the
general form (read where J. Wattie quotes it); the rest is elementary geometry unless said otherwise.
"""

import math
from dataclasses import dataclass

from nearpair.errors import NearpairError
from nearpair.optics import sources
from nearpair.optics.checks import positive


@dataclass(frozen=True, slots=True)
class Overlap:
    """What the two frames have in common; false if that is nothing.

    `fraction` is the shared part of the frame's width, 0 to 1; `missing_mm` how much too large the base is
    for any shared part, 0 if there is one.
    """

    fraction: float
    missing_mm: float

    def __bool__(self) -> bool:
        return self.fraction > 0

    @property
    def reason(self) -> str:
        """Why there is nothing in common; empty if there is."""
        if self:
            return ""
        return (
            f"The two frames show different parts of the subject: the base is {self.missing_mm:.1f} mm or "
            "more too large."
        )


def base_for_deviation_mm(deviation_mm: float, near_mm: float, far_mm: float, focal_mm: float) -> float:
    """General base formula: B = P/(L - N)·(L·N/F - (L + N)/2), for near N, far L, deviation P.

    Holds exactly for a lens focused on the harmonic mean of near and far. Source: Bercovitz (1998).
    Example: 1.2 mm, everything from 2 m to infinity, 35 mm lens: 68 mm.
    """
    positive("deviation_mm", deviation_mm, "mm")
    positive("focal_mm", focal_mm, "mm")
    closeness = _closeness_per_mm(near_mm, far_mm)
    base_mm = deviation_mm / closeness * (1 / focal_mm - (1 / near_mm + 1 / far_mm) / 2)
    if base_mm <= 0:
        raise NearpairError(
            f"near_mm and far_mm must lie beyond the focal length of {focal_mm:g} mm, "
            f"found {near_mm:g} and {far_mm:g}.",
            "Measure from the lens to the subject: nearer than the focal length nothing comes into focus.",
        )
    return base_mm


def base_close_up_mm(
    deviation_mm: float, near_mm: float, depth_mm: float, near_magnification: float
) -> float:
    """Work out the base from the near plane's magnification m: B = P·(N + T)/(m·T), subject depth T.

    Elementary geometry. Example: 1.2 mm, near plane at 200 mm and life size, 5 mm deep: 49.2 mm.
    """
    positive("deviation_mm", deviation_mm, "mm")
    positive("near_mm", near_mm, "mm")
    positive("depth_mm", depth_mm, "mm")
    positive("near_magnification", near_magnification)
    return deviation_mm * (near_mm + depth_mm) / (near_magnification * depth_mm)


def base_thirtieth_mm(near_mm: float) -> float:
    """Rule of one thirtieth: base = N/30. Common practice, no source.

    Meant for a normal lens and a far point at infinity; it breaks down close up.
    """
    positive("near_mm", near_mm, "mm")
    return near_mm * sources.BASE_OF_DISTANCE.value


def roundness_base_mm(
    near_mm: float, viewing_distance_mm: float, eyes_mm: float = sources.EYES_MEAN_MM.value
) -> float:
    """Largest base that turns near things no more than the viewer's eyes do: N·e/V.

    `viewing_distance_mm` is V, `eyes_mm` the distance of the pupils. A larger one makes small things look
    stretched in depth. Common practice, no source.
    Example: 100 mm from the lens, viewed from 600 mm: 10.5 mm.
    """
    positive("near_mm", near_mm, "mm")
    positive("viewing_distance_mm", viewing_distance_mm, "mm")
    positive("eyes_mm", eyes_mm, "mm")
    return near_mm * eyes_mm / viewing_distance_mm


def deviation_on_sensor_mm(base_mm: float, near_mm: float, far_mm: float, image_distance_mm: float) -> float:
    """Deviation a base gives: B·v·(1/N - 1/L), v being the image distance f·(1 + m), not f. Elementary."""
    positive("base_mm", base_mm, "mm")
    positive("image_distance_mm", image_distance_mm, "mm")
    return base_mm * image_distance_mm * _closeness_per_mm(near_mm, far_mm)


def base_in_frame_mm(share: float, per_base: float, shift_per_base: float, sensor_width_mm: float) -> float:
    """Base whose deviation is a share of the width that is left once the window has been shifted in place.

    `per_base`: deviation on the sensor for each mm of base, see `deviation_on_sensor_mm`; `shift_per_base`:
    shift of the window plane on the sensor for each mm, v over its distance. B = a·W/(per_base + a·shift).
    Elementary.
    """
    positive("share", share)
    positive("per_base", per_base)
    positive("shift_per_base", shift_per_base)
    positive("sensor_width_mm", sensor_width_mm, "mm")
    return share * sensor_width_mm / (per_base + share * shift_per_base)


def toe_in_keystone_mm(x_mm: float, y_mm: float, convergence: float, image_distance_mm: float) -> float:
    """Vertical parallax on the sensor at (x, y) if both cameras are turned in: 2·x·y·tan(θ/2)/v.

    `convergence` is the whole angle θ between the axes, in degrees. Cameras that slide on parallel axes have
    none. Leading term of the elementary geometry; compare Woods, Docherty & Koch, Proc. SPIE 1915 (1993)
    36-48 (from memory). Example: corner (18, 12) of 36 by 24 mm, 2 degrees, v = 100 mm: 0.075 mm.
    """
    positive("image_distance_mm", image_distance_mm, "mm")
    return 2 * x_mm * y_mm * math.tan(math.radians(convergence) / 2) / image_distance_mm


def customary_deviation_mm(sensor_width_mm: float) -> float:
    """1/30 of the sensor's width: 1.2 mm on 36 mm. Common practice, no source."""
    positive("sensor_width_mm", sensor_width_mm, "mm")
    return sensor_width_mm * sources.DEVIATION_OF_WIDTH.value


def overlap(base_mm: float, magnification: float, sensor_width_mm: float) -> Overlap:
    """Share of the focus plane that two frames with parallel axes both show: 1 - B·m/W. Elementary.

    The result is false if they share nothing: then a base is no use, whatever formula asked for it.
    """
    positive("base_mm", base_mm, "mm")
    positive("magnification", magnification)
    positive("sensor_width_mm", sensor_width_mm, "mm")
    field_mm = sensor_width_mm / magnification
    return Overlap(max(0.0, 1 - base_mm / field_mm), max(0.0, base_mm - field_mm))


def convergence_deg(base_mm: float, distance_mm: float) -> float:
    """Angle between the two lines to a point straight ahead: 2·atan(B/(2·D)), in degrees. Elementary."""
    positive("base_mm", base_mm, "mm")
    positive("distance_mm", distance_mm, "mm")
    return math.degrees(2 * math.atan(base_mm / (2 * distance_mm)))


def base_over_distance(disparity_px: float, image_distance_px: float) -> float:
    """Ratio of base to distance of a point, from its disparity x_left - x_right before mounting.

    B/D = d/v for parallel axes, v being the image distance in px (image distance in mm over the size of a
    pixel). The disparity must count from infinity, so the pictures must not have been shifted. Elementary.
    """
    positive("disparity_px", disparity_px, "px")
    positive("image_distance_px", image_distance_px, "px")
    return disparity_px / image_distance_px


def _closeness_per_mm(near_mm: float, far_mm: float) -> float:
    positive("near_mm", near_mm, "mm")
    if not far_mm > near_mm:
        raise NearpairError(
            f"far_mm must be above near_mm ({near_mm:g} mm), found {far_mm:g}.",
            "Give the distance of the farthest point that is to be seen; inf is allowed.",
        )
    return 1 / near_mm - 1 / far_mm
