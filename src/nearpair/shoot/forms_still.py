"""Makers of the still forms: one picture file each."""

from collections.abc import Callable
from pathlib import Path

import numpy as np

from nearpair.frames.write import write_jpeg, write_png
from nearpair.outputs import interlace
from nearpair.outputs.anaglyph import anaglyph
from nearpair.outputs.freeview import crossed, largest_width_mm, parallel
from nearpair.shoot.atomic import replacing
from nearpair.shoot.exporting import GAP_SHARE
from nearpair.shoot.glassesfile import glasses_named
from nearpair.shoot.material import Material, View

QUALITY = 95
_EXACT = (
    "Show it pixel by pixel, full screen, with --size the width of the screen: scaling mixes the two eyes.",
    "If depth looks turned inside out, the screen begins with the other eye: move the picture by one pixel.",
)


def anaglyph_form(material: Material, path: Path) -> list[str]:
    """The anaglyph for the shoot's glasses, by the shoot's method."""
    colour = material.ready.decisions.colour
    pair = material.sized(floating=True)
    _jpeg(material, path, anaglyph(pair.left, pair.right, glasses_named(colour.glasses), colour.method))
    return [f"For {colour.glasses} glasses, colours mixed by {colour.method}."]


def parallel_form(material: Material, path: Path) -> list[str]:
    """Left picture on the left, and the largest size at which unaided eyes fuse it."""
    pair = material.sized(floating=True)
    _jpeg(material, path, parallel(pair.left, pair.right, _gap_px(pair.left)))
    eyes_mm = material.ready.decisions.viewing.eyes_mm
    one_mm = largest_width_mm(eyes_mm, GAP_SHARE, material.far_share)
    whole_mm = one_mm * (2 + GAP_SHARE)
    size = f"at most {whole_mm:.0f} mm wide, {one_mm:.0f} mm a picture"
    return [
        f"Without a viewer show or print it {size}: then pupils {eyes_mm:g} mm apart need not turn outwards."
    ]


def crossed_form(material: Material, path: Path) -> list[str]:
    """Left picture on the right, for crossed eyes."""
    pair = material.sized(floating=True)
    _jpeg(material, path, crossed(pair.left, pair.right, _gap_px(pair.left)))
    return ["Any size; the larger it is, the farther away it is comfortable to look at."]


def top_bottom_form(material: Material, path: Path) -> list[str]:
    """The left picture over the right one."""
    pair = material.sized(floating=True)
    _jpeg(material, path, interlace.top_bottom(pair.left, pair.right))
    return []


def side_by_side_form(material: Material, path: Path) -> list[str]:
    """Both pictures at half their width."""
    pair = material.sized(floating=True)
    _jpeg(material, path, interlace.side_by_side(pair.left, pair.right))
    return [
        "Looks squeezed until the screen stretches it; to see it without a device take parallel or crossed."
    ]


def row_interleaved_form(material: Material, path: Path) -> list[str]:
    """Rows by turns."""
    return _interleaved(material, path, interlace.row_interleaved)


def column_interleaved_form(material: Material, path: Path) -> list[str]:
    """Columns by turns."""
    return _interleaved(material, path, interlace.column_interleaved)


def checkerboard_form(material: Material, path: Path) -> list[str]:
    """Pixels by turns."""
    return _interleaved(material, path, interlace.checkerboard)


def _interleaved(material: Material, path: Path, mix: Callable[..., object]) -> list[str]:
    pair = material.sized(floating=True)
    with replacing(path) as part:
        mixed = np.asarray(mix(pair.left, pair.right), np.uint8)
        write_png(part, mixed, material.profile, carried=material.carried)
    return list(_EXACT)


def _gap_px(view: View) -> int:
    return round(GAP_SHARE * len(view[0]))


def _jpeg(material: Material, path: Path, picture: object) -> None:
    with replacing(path) as part:
        write_jpeg(part, np.asarray(picture, np.uint8), QUALITY, material.profile, carried=material.carried)
