"""Makers of standard files that hold both pictures as they are: one file for both, or one for each eye."""

import io
from pathlib import Path

from PIL import Image

from nearpair.frames.multipicture import multipicture
from nearpair.frames.stereoheif import need_heif, stereo_heif
from nearpair.frames.write import write_jpeg
from nearpair.shoot.atomic import replacing, write_whole
from nearpair.shoot.forms_still import QUALITY
from nearpair.shoot.material import Material, View

_HEIF_QUALITY = 90
EYES = ("left.jpg", "right.jpg")


def multipicture_form(material: Material, path: Path) -> list[str]:
    """Both pictures in one multi-picture file."""
    pair = material.sized(floating=True)
    base_mm = _base_mm(material)
    write_whole(path, multipicture(_jpeg(material, pair.left), _jpeg(material, pair.right), base_mm))
    if base_mm is None:
        return [
            "The stereo base is not known in mm, and the file says so; give --base when you make the shoot."
        ]
    return [f"The stereo base in it is {base_mm:.3g} mm."]


def heif_form(material: Material, path: Path) -> list[str]:
    """Both pictures in one HEIF file, as a stereo pair."""
    need_heif()
    pair = material.sized(floating=True)
    write_whole(path, stereo_heif(pair.left, pair.right, _HEIF_QUALITY, material.profile, material.carried))
    return ["Its colours have half the resolution, as decoders in phones and headsets want them."]


def left_right_form(material: Material, path: Path) -> list[str]:
    """One file for each eye."""
    pair = material.sized(floating=True)
    for view, name in zip((pair.left, pair.right), EYES, strict=True):
        with replacing(path / name) as part:
            write_jpeg(part, view, QUALITY, material.profile, carried=material.carried)
    return ["The window is placed already: show both at the same place and size, without shifting them."]


def _base_mm(material: Material) -> float | None:
    """Distance of the viewpoints that the pair shows, which may be a share of what was shot."""
    metric = material.ready.metric
    if metric is None or metric.base is None:
        return None
    return metric.base.used_mm * material.ready.mounted.mounting.base_share


def _jpeg(material: Material, view: View) -> bytes:
    file = io.BytesIO()
    carried = material.carried
    Image.fromarray(view).save(
        file,
        "JPEG",
        quality=QUALITY,
        subsampling="4:4:4",
        optimize=True,
        icc_profile=material.profile,
        exif=carried.exif,
        xmp=carried.xmp,
    )
    return file.getvalue()
