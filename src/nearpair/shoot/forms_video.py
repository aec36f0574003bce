"""Makers of the forms that are MP4 files: two views by turns, a sway, and a clip for a film or a talk."""

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import numpy as np

from nearpair.frames.video import need_video, write_mp4
from nearpair.outputs.anaglyph import anaglyph
from nearpair.outputs.clip import SCREENS, View, card, on_screen
from nearpair.outputs.motion import ROCKING_FRAMES, ROCKING_MS, SWAP_MS, sway
from nearpair.shoot.atomic import replacing
from nearpair.shoot.forms_moving import rocking
from nearpair.shoot.glassesfile import glasses_named
from nearpair.shoot.material import Material
from nearpair.shoot.rebasing import ready

_WIDEST_PX = 1200
_SECONDS = 10  # of an animation: about so long, in whole rounds
_RATE = 25  # pictures a second
_HELD = 2  # video pictures for which each picture of a sway stands
_SLOW_PICTURES = 60  # of a slow sway: 60 x 2 / 25 = 4.8 s
_STEREO_BASE = 0.8  # share of the base that a stereo clip keeps while it sways over the rest
_COUNTDOWN = ("3", "2", "1")
_CUE_SECONDS = 2


def swap_mp4(material: Material, path: Path) -> list[str]:
    """Two views by turns."""
    need_video()
    pair = material.sized(_WIDEST_PX)
    return _looped(path, [pair.left, pair.right], SWAP_MS)


def rocking_mp4(material: Material, path: Path) -> list[str]:
    """A sway."""
    need_video()
    return _looped(path, rocking(material, material.sized(_WIDEST_PX)), ROCKING_MS // ROCKING_FRAMES)


def clip_form(material: Material, path: Path) -> list[str]:
    """A clip of 16:9: a pair, still or slowly rocking, if wanted with countdown and cues."""
    need_video()
    settings = material.settings
    screen = SCREENS[settings.screen]
    with replacing(path) as part:
        frames = _with_cues(material, _moving(material, screen), screen)
        count = write_mp4(part, frames, Fraction(_RATE), screen, settings.packing)
    notes = [
        f"{count / _RATE:g} s, {screen[1]} x {screen[0]}, {_RATE} pictures a second, {settings.packing}."
    ]
    if settings.packing == "anaglyph":
        notes.append("Video keeps colour at half resolution, which adds a little ghosting to an anaglyph.")
    return notes


def _looped(path: Path, views: list[View], each_ms: int) -> list[str]:
    height, width = (side // 2 * 2 for side in views[0].shape[:2])
    even = [view[:height, :width] for view in views]
    rounds = max(1, round(1000 * _SECONDS / (len(even) * each_ms)))
    with replacing(path) as part:
        count = write_mp4(part, even * rounds, Fraction(1000, each_ms), (height, width))
    flashes = f"{1000 / (len(even) * each_ms):.2f} flashes a second at most; WCAG 2.3.1 allows three"
    return [f"{count * each_ms / 1000:g} s; let it play in a loop. {flashes}."]


def _moving(material: Material, screen: tuple[int, int]) -> Iterator[View]:
    """The pictures of the clip itself."""
    total = round(material.settings.seconds * _RATE)
    if not material.settings.rocking:
        pair = material.at_most(screen[1])
        shown = _shown(material, pair.left, pair.right, screen)
        yield from (shown for _ in range(total))
        return
    pair = material.at_most(screen[1])
    between = ready(pair.left, pair.right, pair.parallax)
    base = 0.0 if material.settings.packing == "flat" else _STEREO_BASE
    places = [place * (1 - base) for place in sway(_SLOW_PICTURES)]
    made: dict[float, View] = {}
    for number in range(total):
        place = places[number // _HELD % len(places)]
        if place not in made:
            left, right = (np.asarray(between.view(at).picture, np.uint8) for at in (place, place + base))
            made[place] = _shown(material, left, right, screen)
            material.progress("making the pictures of the clip", number, total)
        yield made[place]
    material.progress("making the pictures of the clip", total, total)


def _shown(material: Material, left: View, right: View, screen: tuple[int, int]) -> View:
    packing = material.settings.packing
    if packing != "anaglyph":
        return on_screen(left, right, packing, screen)
    colour = material.ready.decisions.colour
    mixed = np.asarray(anaglyph(left, right, glasses_named(colour.glasses), colour.method), np.uint8)
    return on_screen(mixed, mixed, "flat", screen)


def _with_cues(material: Material, frames: Iterator[View], screen: tuple[int, int]) -> Iterator[View]:
    settings = material.settings
    packing = "flat" if settings.packing == "anaglyph" else settings.packing
    device = "Glasses" if settings.packing in ("anaglyph", "side-by-side", "top-bottom") else ""

    def held(text: str, seconds: int) -> Iterator[View]:
        words = card(text, screen)
        shown = on_screen(words, words, packing, screen)
        return (shown for _ in range(seconds * _RATE))

    if settings.cues and device:
        yield from held(f"{device} on", _CUE_SECONDS)
    if settings.countdown:
        for number in _COUNTDOWN:
            yield from held(number, 1)
    yield from frames
    if settings.cues and device:
        yield from held(f"{device} off", _CUE_SECONDS)
