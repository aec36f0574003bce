"""Makers of the forms that are printed."""

import io
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from PIL import Image

from nearpair.outputs.card import CardLayout, card_sheet, layout, printable
from nearpair.shoot.atomic import write_whole
from nearpair.shoot.material import Material, View

_QUALITY = 95


def card_form(material: Material, path: Path) -> list[str]:
    """The stereo card on its sheet."""
    pair = material.sized(floating=True)
    placed = layout(pair.left.shape[:2], material.far_share)
    caption = material.about.caption
    jpegs = (_fitted(pair.left, placed, material.profile), _fitted(pair.right, placed, material.profile))
    write_whole(path, card_sheet(jpegs, placed, caption, material.settings.paper))
    height_mm, width_mm = placed.picture_mm
    size = f"Pictures {width_mm:.1f} x {height_mm:.1f} mm, centres {placed.centres_mm:.1f} mm apart"
    paper = material.settings.paper
    notes = [f"Print at 100 % on {paper} paper and check that the line is 50 mm long. {size}."]
    if pair.left.shape[1] < placed.pixels[1]:
        notes.append(f"The picture has {pair.left.shape[1]} px across, less than 300 dots per inch.")
    if printable(caption) != caption:
        notes.append("The card's font lacks some letters of the caption; they are printed as question marks.")
    return notes


def _fitted(view: View, placed: CardLayout, profile: bytes) -> bytes:
    """A picture as JPEG at 300 dots per inch of the card; fewer if it has fewer."""
    height, width = placed.pixels
    if width < view.shape[1]:
        scaled: Any = cv2.resize(view, (width, height), interpolation=cv2.INTER_AREA)
        view = np.asarray(scaled, np.uint8)
    file = io.BytesIO()
    Image.fromarray(view).save(file, "JPEG", quality=_QUALITY, subsampling="4:4:4", icc_profile=profile)
    return file.getvalue()
