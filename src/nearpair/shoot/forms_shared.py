"""Makers of the forms that are sent or hosted as a whole: the share page."""

import io
from pathlib import Path

import numpy as np
from PIL import Image

from nearpair.errors import PairError
from nearpair.outputs.anaglyph import MATRICES, anaglyph
from nearpair.outputs.page import Mixing, PageText, kinds_of_glasses, share_page
from nearpair.shoot.atomic import write_whole
from nearpair.shoot.exporting import GAP_SHARE
from nearpair.shoot.glassesfile import glasses_named
from nearpair.shoot.material import Material, Sized, View
from nearpair.shoot.rebasing import ready

_WIDEST_PX, _WIDEST_BETWEEN_PX = 1400, 700
_QUALITY, _QUALITY_BETWEEN = 88, 78
_BETWEEN = (1 / 6, 2 / 6, 3 / 6, 4 / 6, 5 / 6)


def page_form(material: Material, path: Path) -> list[str]:
    """The share page."""
    pair = material.sized(_WIDEST_PX, floating=True)
    height, width = pair.left.shape[:2]
    views, notes = _between(material, min(_WIDEST_BETWEEN_PX, width))
    jpegs = [
        _jpeg(pair.left, _QUALITY, material.profile),
        *(_jpeg(view, _QUALITY_BETWEEN, material.profile) for view in views),
        _jpeg(pair.right, _QUALITY, material.profile),
    ]
    about = material.about
    text = PageText(about.caption, about.creator, about.alt)
    page = share_page(jpegs, (height, width), text, _mixing(material, pair), GAP_SHARE, material.far_share)
    write_whole(path, page.encode())
    if not about.alt:
        notes.append("Say what it shows with --alt, for those who cannot see it.")
    return [f"One file of {len(page) / 1e6:.1f} MB; it fetches nothing when it is opened.", *notes]


def _mixing(material: Material, pair: Sized) -> Mixing:
    """Anaglyphs by the shoot's method for all kinds of glasses: as pictures, unless the page can mix them."""
    colour = material.ready.decisions.colour
    glasses = glasses_named(colour.glasses)
    kinds = {} if colour.method in MATRICES else kinds_of_glasses(glasses)
    made = {}
    for number, (name, kind) in enumerate(kinds.items()):
        material.progress("mixing anaglyphs", number, len(kinds))
        mixed = np.asarray(anaglyph(pair.left, pair.right, kind, colour.method), np.uint8)
        made[name] = _jpeg(mixed, _QUALITY, material.profile)
    return Mixing(glasses, colour.method, made)


def _between(material: Material, widest_px: int) -> tuple[list[View], list[str]]:
    """Views for rocking; none if too little depth is known, and then the page fades between the two."""
    small = material.at_most(widest_px)
    try:
        between = ready(small.left, small.right, small.parallax)
    except PairError:
        return [], ["Too little depth is known for views in between: rocking fades between the two pictures."]
    views = []
    for number, place in enumerate(_BETWEEN):
        material.progress("reckoning views in between", number, len(_BETWEEN))
        views.append(np.asarray(between.view(place).picture, np.uint8))
    material.progress("reckoning views in between", len(_BETWEEN), len(_BETWEEN))
    return views, []


def _jpeg(view: View, quality: int, profile: bytes) -> bytes:
    file = io.BytesIO()
    Image.fromarray(view).save(
        file, "JPEG", quality=quality, subsampling="4:4:4", optimize=True, icc_profile=profile
    )
    return file.getvalue()
