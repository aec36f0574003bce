"""Which maker makes which form: the table that `publishing` works from."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from nearpair.shoot import (
    forms_files,
    forms_lens,
    forms_moving,
    forms_printed,
    forms_shared,
    forms_solid,
    forms_still,
    forms_video,
)
from nearpair.shoot.material import Material, Settings
from nearpair.shoot.outlog import Part


def _usual(settings: Settings) -> tuple[Part, ...]:
    del settings
    return ("pair", "about", "program")


@dataclass(frozen=True, slots=True)
class Maker:
    """How a form is made: writes it to a path and returns what the viewer has to know, in sentences.

    names: the files of a form that is a folder. uses: the settings that change it. shows: the parts of the
    shoot that it shows, with these settings.
    """

    make: Callable[[Material, Path], list[str]]
    names: tuple[str, ...] = ()
    uses: tuple[str, ...] = ("size_px", "private")
    shows: Callable[[Settings], tuple[Part, ...]] = _usual


def _wordless(settings: Settings) -> tuple[Part, ...]:
    del settings
    return ("pair", "program")


def _coloured(settings: Settings) -> tuple[Part, ...]:
    return (*_usual(settings), "colour")


def _sized(settings: Settings) -> tuple[Part, ...]:
    return (*_usual(settings), "lengths")


def _of_clip(settings: Settings) -> tuple[Part, ...]:
    return ("pair", "program", "colour") if settings.packing == "anaglyph" else ("pair", "program")


_OF_LENSES = ("pitch", "dots", "print_mm")
_OF_CLIPS = ("packing", "screen", "seconds", "rocking", "countdown", "cues")

MAKERS: dict[str, Maker] = {
    "anaglyph": Maker(forms_still.anaglyph_form, shows=_coloured),
    "parallel": Maker(forms_still.parallel_form, shows=lambda settings: (*_usual(settings), "viewing")),
    "crossed": Maker(forms_still.crossed_form),
    "top-bottom": Maker(forms_still.top_bottom_form),
    "side-by-side": Maker(forms_still.side_by_side_form),
    "row-interleaved": Maker(forms_still.row_interleaved_form),
    "column-interleaved": Maker(forms_still.column_interleaved_form),
    "checkerboard": Maker(forms_still.checkerboard_form),
    "card": Maker(forms_printed.card_form, uses=("size_px", "paper")),
    "multi-picture": Maker(forms_files.multipicture_form, shows=_sized),
    "heif": Maker(forms_files.heif_form),
    "left-right": Maker(forms_files.left_right_form, forms_files.EYES),
    "gltf": Maker(forms_solid.gltf_form, shows=_sized),
    "stl": Maker(forms_solid.stl_form, shows=lambda settings: (*_wordless(settings), "lengths")),
    "clip": Maker(forms_video.clip_form, uses=_OF_CLIPS, shows=_of_clip),
    "page": Maker(forms_shared.page_form, shows=_coloured),
    "lenticular": Maker(forms_lens.lenticular_form, uses=(*_OF_LENSES, "private")),
    "pitch-test": Maker(forms_lens.strip_form, uses=_OF_LENSES, shows=lambda _: ("program",)),
    "swap-gif": Maker(forms_moving.swap_gif, shows=_wordless),
    "swap-webp": Maker(forms_moving.swap_webp),
    "rocking-gif": Maker(forms_moving.rocking_gif, shows=_wordless),
    "rocking-webp": Maker(forms_moving.rocking_webp),
    "swap-mp4": Maker(forms_video.swap_mp4, shows=_wordless),
    "rocking-mp4": Maker(forms_video.rocking_mp4, shows=_wordless),
}
"""Makers by the name of their form; the same names as in `outputs.catalogue`."""
