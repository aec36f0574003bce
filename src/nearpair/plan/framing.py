"""How large the subject is shown and from where, from whichever is known; and what no lens can do."""

import math
from dataclasses import dataclass

from nearpair.errors import NearpairError
from nearpair.optics.lens import entrance_pupil_distance_mm, magnification_of_field
from nearpair.optics.stacking import magnification_of
from nearpair.plan.request import Camera, Subject

CLOSE_UP = 0.1
"""From this magnification on a focusing rail is the usual way (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Framing:
    """Magnification and distance of the plane of focus, depth of the subject, its limits if focused by ring.

    Distances from the entrance pupil, mm; `far_mm` and `depth_mm` may be inf.
    """

    magnification: float
    distance_mm: float
    depth_mm: float
    near_mm: float
    far_mm: float


def framed(camera: Camera, subject: Subject) -> Framing:
    """Work out the framing. Raises NearpairError, with the nearest that works, for what no lens does."""
    ways = [
        name
        for name in ("magnification", "field_width_mm", "working_distance_mm", "near_mm")
        if getattr(subject, name) is not None
    ]
    if len(ways) != 1:
        raise NearpairError(
            f"A plan needs one statement of size or distance, found {len(ways)}.",
            "Give one of --magnification, --field-width, --working-distance, or --near together with --far.",
        )
    found = _by_limits(camera, subject) if ways[0] == "near_mm" else _by_size(camera, subject)
    _check_reach(camera, found)
    return found


def _by_limits(camera: Camera, subject: Subject) -> Framing:
    near_mm, far_mm = subject.near_mm or 0.0, subject.far_mm
    if far_mm is None and subject.depth_mm is not None:
        far_mm = near_mm + subject.depth_mm
    if far_mm is None:
        raise NearpairError(
            "A near limit alone does not say how deep the subject is.",
            "Give --far as well (inf for a landscape), or --depth.",
        )
    focus_mm = 2 / (1 / near_mm + 1 / far_mm)  # harmonic mean: sharpness reaches equally far both ways
    _check_distance(camera, near_mm)
    magnification = magnification_of(camera.focal_mm, focus_mm, camera.pupil_ratio)
    return Framing(magnification, focus_mm, far_mm - near_mm, near_mm, far_mm)


def _by_size(camera: Camera, subject: Subject) -> Framing:
    if subject.depth_mm is None:
        raise NearpairError(
            "A plan needs the depth of the subject, from its nearest to its farthest point.",
            "Measure it and give --depth MM; with an uncertain depth also --deepest MM.",
        )
    magnification = _magnification(camera, subject)
    distance_mm = entrance_pupil_distance_mm(camera.focal_mm, magnification, camera.pupil_ratio)
    depth_mm = subject.depth_mm
    # the near limit whose harmonic mean with near + depth is the focus distance
    near_mm = (distance_mm - depth_mm + math.hypot(distance_mm, depth_mm)) / 2
    return Framing(magnification, distance_mm, depth_mm, near_mm, near_mm + depth_mm)


def _magnification(camera: Camera, subject: Subject) -> float:
    if subject.magnification is not None:
        return subject.magnification
    if subject.field_width_mm is not None:
        return magnification_of_field(camera.sensor_width_mm, subject.field_width_mm)
    distance_mm = subject.working_distance_mm or 0.0
    _check_distance(camera, distance_mm)
    return magnification_of(camera.focal_mm, distance_mm, camera.pupil_ratio)


def _check_distance(camera: Camera, distance_mm: float) -> None:
    """Nearer than this nothing comes into focus, however far the lens is extended."""
    limit_mm = camera.focal_mm / camera.pupil_ratio
    if distance_mm <= limit_mm:
        life_size = entrance_pupil_distance_mm(camera.focal_mm, 1.0, camera.pupil_ratio)
        raise NearpairError(
            f"The subject is {distance_mm:.4g} mm from the lens, but a lens of {camera.focal_mm:g} mm "
            f"focuses nothing nearer than {limit_mm:.4g} mm, however far it is extended.",
            f"Stand farther away: {life_size:.4g} mm gives life size. Or use a shorter focal length.",
        )


def _check_reach(camera: Camera, found: Framing) -> None:
    most = camera.largest_magnification
    if most is None or found.magnification <= most * (1 + 1e-9):
        return
    distance_mm = entrance_pupil_distance_mm(camera.focal_mm, most, camera.pupil_ratio)
    raise NearpairError(
        f"This takes a magnification of {found.magnification:.3g} at a distance of "
        f"{found.distance_mm:.4g} mm; the lens reaches {most:.3g} and focuses no nearer.",
        f"The nearest that works: --working-distance {distance_mm:.4g}, which shows a field "
        f"{camera.sensor_width_mm / most:.4g} mm wide. Or add an extension and state what it reaches.",
    )
