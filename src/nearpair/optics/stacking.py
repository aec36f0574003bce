"""Steps of a focus stack: how far the focus moves from frame to frame, and how many frames that makes.

`overlap` is the share of a frame's depth of field that it has in common with its neighbour, 0 to below 1. A
step no longer than the depth of field: O'Reilly, Microscope Image Processing (read where quoted). Two steps
or more per depth of field (an overlap of one half) where fine detail matters: University of Arizona, Depth of
Field. Moving focus with the ring, sharp limits of neighbours touch exactly where the image distance shrinks
in a geometric sequence (elementary; derived in `ring_ratio`).
"""

import math

from nearpair.errors import NearpairError
from nearpair.optics.checks import positive

_MOST_FRAMES = 20_000


def step_mm(depth_of_field_mm: float, overlap: float) -> float:
    """Step of the focus for a depth of field: DOF·(1 - o). Elementary."""
    positive("depth_of_field_mm", depth_of_field_mm, "mm")
    _share("overlap", overlap)
    return depth_of_field_mm * (1 - overlap)


def frames_to_cover(depth_mm: float, depth_of_field_mm: float, step: float) -> int:
    """Fewest frames whose depths of field cover the subject: 1 + ceil((T - DOF)/s), at least 1."""
    _positives(depth_mm=depth_mm, depth_of_field_mm=depth_of_field_mm, step=step)
    return 1 + max(0, _steps((depth_mm - depth_of_field_mm) / step))


def frames_to_span(depth_mm: float, step: float) -> int:
    """Fewest frames whose planes of focus reach from end to end of the subject: 1 + ceil(T/s)."""
    _positives(depth_mm=depth_mm, step=step)
    return 1 + _steps(depth_mm / step)


def magnification_of(focal_mm: float, pupil_distance_mm: float, pupil_ratio: float = 1.0) -> float:
    """Magnification of a plane at a distance from the entrance pupil: 1/(u/f - 1/p); 0 at infinity.

    Inverse of `lens.entrance_pupil_distance_mm`. Raises NearpairError for a plane that no extension reaches.
    """
    _positives(focal_mm=focal_mm, pupil_ratio=pupil_ratio)
    if math.isinf(pupil_distance_mm):
        return 0.0
    nearest = focal_mm / pupil_ratio
    if pupil_distance_mm <= nearest:
        raise NearpairError(
            f"pupil_distance_mm must be above {nearest:.4g} mm, found {pupil_distance_mm:.4g}.",
            "Measure from the lens to the subject: nearer than the focal length nothing comes into focus.",
        )
    return 1 / (pupil_distance_mm / focal_mm - 1 / pupil_ratio)


def ring_ratio(
    focal_mm: float, f_number: float, blur_mm: float, overlap: float, pupil_ratio: float = 1.0
) -> float:
    """Ratio of 1 + m/p from one frame to the next farther one: (1 - k)/(1 + k), k = (1 - o)·c·N/(f·p).

    A point whose own image has magnification m' is blurred by c when the sensor lies c·N·(1 + m'/p) from
    that image. So the far limit of one frame meets the near limit of the next where
    f·(m - m') = c·N·(1 + m/p) + c·N·(1 + m'/p), which gives a geometric sequence. Elementary; thin lens.
    """
    _positives(focal_mm=focal_mm, f_number=f_number, blur_mm=blur_mm, pupil_ratio=pupil_ratio)
    _share("overlap", overlap)
    k = (1 - overlap) * blur_mm * f_number / (focal_mm * pupil_ratio)
    if k >= 1:
        raise NearpairError(
            f"At f/{f_number:.3g} every distance is in focus at once: so much blur passes for sharp.",
            "Shoot a single frame, or plan for a larger picture.",
        )
    return (1 - k) / (1 + k)


def ring_magnifications(
    near_mm: float,
    far_mm: float,
    focal_mm: float,
    ratio: float,
    reach: float,
    pupil_ratio: float = 1.0,
    beyond: tuple[int, int] = (1, 1),
) -> list[float]:
    """Magnifications of the frames of a ring stack, from near to far.

    `near_mm` and `far_mm` from the entrance pupil, `far_mm` may be inf. `ratio` comes from `ring_ratio`.
    `reach` is c·N/f: a frame whose magnification is not above it is sharp to infinity and the last one.
    `beyond`: steps before the near end and after the far end.
    """
    nearest = 1 + magnification_of(focal_mm, near_mm, pupil_ratio) / pupil_ratio
    farthest = 1 + magnification_of(focal_mm, far_mm, pupil_ratio) / pupil_ratio
    between = _steps(math.log(nearest / farthest) / -math.log(ratio))
    last = between + beyond[1]
    found = [(nearest * ratio**k - 1) * pupil_ratio for k in range(-beyond[0], last + 1)]
    sharp_to_infinity = [number for number, size in enumerate(found) if size <= reach]
    if sharp_to_infinity:
        return [*found[: sharp_to_infinity[0]], reach]
    return found


def _steps(number: float) -> int:
    if number > _MOST_FRAMES:
        raise NearpairError(
            f"This stack takes more than {_MOST_FRAMES} frames.", "Use a smaller aperture, or less depth."
        )
    return math.ceil(number - 1e-9)


def _positives(**values: float) -> None:
    for name, value in values.items():
        positive(name, value)


def _share(name: str, value: float) -> None:
    if not 0 <= value < 1:
        raise NearpairError(f"{name} must be from 0 to below 1, found {value}.", "0.3 suits most subjects.")
