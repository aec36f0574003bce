"""From px to mm: distances and sizes in object space, from the base, the step and the lens.

`image_distance_px` is the image distance over the size of a pixel. Distances are measured from the entrance
pupil of the left camera along its axis; both axes are parallel. Elementary geometry (similar triangles and
the thin lens) unless a function says otherwise.
"""

import math

import numpy as np
from numpy.typing import NDArray

from nearpair.optics.checks import positive

Plane = NDArray[np.float32]

_LONGEST_BAR = 0.25


def distance_from_disparity_mm(disparity_px: Plane, base_mm: float, image_distance_px: float) -> Plane:
    """Distance of each point: Z = B·v/d, for disparities x_left - x_right that count from infinity.

    NaN where the disparity is NaN or not above 0. Source: base over distance is disparity over image
    distance, see `base.base_over_distance`.
    """
    positive("base_mm", base_mm, "mm")
    positive("image_distance_px", image_distance_px, "px")
    known = np.where(disparity_px > 0, disparity_px, np.float32(np.nan))
    return np.asarray(np.float32(base_mm * image_distance_px) / known, np.float32)


def mm_per_px(distance_mm: float, image_distance_px: float) -> float:
    """Size of a pixel in the plane at a distance: Z/v."""
    positive("distance_mm", distance_mm, "mm")
    positive("image_distance_px", image_distance_px, "px")
    return distance_mm / image_distance_px


def distance_from_rail_mm(step_mm: float, change: float) -> float:
    """Distance u of the plane of focus from the entrance pupil, from a rail stack alone: u = step/change.

    change: travel from frame to frame over u, see `rail_change`. No lens data are needed: what a step
    of the camera does to the size of things depends on their distance only.
    Example: 1 mm makes a plane 0.4 % larger: 250 mm away.
    """
    positive("step_mm", step_mm, "mm")
    positive("change", change)
    return step_mm / change


def rail_change(scale: float) -> float:
    """Travel between two frames over the distance u of the plane of focus: 2(1 - s)/(1 + s) for scale s.

    scale: size in the frame farther away over size in the nearer one, of the plane half way between their
    planes of focus. It lies at u - t/2 from one camera and u + t/2 from the other, so the scale is
    (u - t/2)/(u + t/2). Compare `lens.rail_scale`.
    """
    positive("scale", scale)
    return 2 * (1 - scale) / (1 + scale)


def pixel_um(sensor_width_mm: float, width_px: int) -> float:
    """Size of a pixel: width of the sensor over the number of columns."""
    positive("sensor_width_mm", sensor_width_mm, "mm")
    positive("width_px", width_px, "px")
    return 1000 * sensor_width_mm / width_px


def sensor_diagonal_mm(focal_mm: float, focal_35mm: float) -> float:
    """Diagonal of the sensor, from the focal length and its equivalent on 36 mm by 24 mm.

    Both give the same diagonal angle of view. Source: the equivalent by the diagonal, CIPA DCG-001, from
    memory. Cameras round it to whole mm. Example: 60 mm that equal 92 mm: 28.2 mm (23.5 by 15.6).
    """
    positive("focal_mm", focal_mm, "mm")
    positive("focal_35mm", focal_35mm, "mm")
    return math.hypot(36, 24) * focal_mm / focal_35mm


def bar_mm(mm_per_pixel: float, width_px: int) -> float:
    """Length of a scale bar: the largest of ..., 0.5, 1, 2, 5, ... mm up to a quarter of the width."""
    positive("mm_per_pixel", mm_per_pixel, "mm")
    positive("width_px", width_px, "px")
    most = _LONGEST_BAR * width_px * mm_per_pixel
    power = math.floor(math.log10(most))
    fitting = [m * 10.0**p for p in (power - 1, power) for m in (1, 2, 5) if m * 10.0**p <= most]
    return fitting[-1]
