"""Sharpness at the final size: how much blur passes, and the f-number that balances diffraction and defocus.

Blur is the diameter of a disc on the sensor. Defocus and diffraction add in quadrature (common practice, no
source; it is the rule behind `lens.f_number_for_depth`, which is from memory). What passes for sharp in a
picture seen from the length of its diagonal is 1/1500 of that diagonal (common practice, no source); seen
from V it is V/1500 on the screen or print, and as much smaller on the sensor as the picture is magnified.
"""

import math

from nearpair.errors import NearpairError
from nearpair.optics import lens, sources
from nearpair.optics.checks import positive
from nearpair.optics.viewing import Viewing

_SQUARE_ROOT_OF_TWO = math.sqrt(2)


def seen_blur_mm(sensor_width_mm: float, viewing: Viewing) -> float:
    """Largest blur on the sensor that passes for sharp at the final size: (V/1500)·(sensor/picture width).

    Example: 36 mm shown 600 mm wide and seen from 600 mm: 0.024 mm. Common practice, no source.
    """
    positive("sensor_width_mm", sensor_width_mm, "mm")
    on_screen_mm = viewing.distance_mm * sources.BLUR_OF_DIAGONAL.value
    return on_screen_mm * sensor_width_mm / viewing.screen_width_mm


def total_blur_mm(defocus_mm: float, effective_number: float) -> float:
    """Blur of defocus and diffraction together: √(defocus² + Airy²)."""
    return math.hypot(defocus_mm, lens.airy_um(effective_number) / 1000)


def defocus_left_mm(blur_mm: float, effective_number: float) -> float:
    """Find what diffraction leaves of the blur that passes: √(c² - Airy²).

    Raises NearpairError, naming the effective f-number that works, if diffraction alone blurs as much.
    """
    positive("blur_mm", blur_mm, "mm")
    airy_mm = lens.airy_um(effective_number) / 1000
    if airy_mm >= blur_mm:
        raise NearpairError(
            f"effective_number must leave room for defocus: at an effective f/{effective_number:.3g} "
            f"diffraction alone blurs {airy_mm * 1000:.1f} um, and {blur_mm * 1000:.1f} um pass for sharp.",
            f"Stay below an effective f/{effective_number * blur_mm / airy_mm:.3g}.",
        )
    return math.sqrt(blur_mm**2 - airy_mm**2)


def balanced_f_number(blur_mm: float, magnification: float, pupil_ratio: float = 1.0) -> float:
    """f-number on the ring that gives each frame the greatest depth of field: Airy = defocus = c/√2.

    The depth of field is 2·N_eff·√(c² - Airy²)/m² with Airy in proportion to N_eff, which is greatest where
    both parts are equal. Elementary, from adding in quadrature.
    """
    positive("blur_mm", blur_mm, "mm")
    return lens.f_number_for_airy(1000 * blur_mm / _SQUARE_ROOT_OF_TWO, magnification, pupil_ratio)


def third_stop_below(f_number: float) -> float:
    """Find the nearest f-number at or below, in thirds of a stop: 2^(k/6). Common practice, no source."""
    positive("f_number", f_number)
    return float(2 ** (math.floor(6 * math.log2(f_number) + 1e-9) / 6))
