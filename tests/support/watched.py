"""Frames of the scenes as a watcher takes them, and what can go wrong with a frame."""

from functools import cache

import cv2
import numpy as np
from PIL import Image

from nearpair.stacks.events import FrameSeen
from nearpair.stacks.watching import Watcher
from nearpair.views.responses import StackFocus
from support.surveys import SCENES, frame_files

BALLS = sorted((SCENES.parent / "real" / "balls").glob("*.jpg"))


@cache
def lumas(scene, station):
    """(name, luma uint8) of every frame of a station, in shooting order."""
    return tuple((file.name, luma_of(file)) for file in frame_files(scene, station))


def luma_of(file):
    return np.asarray(Image.open(file).convert("L"))


def watched(frames):
    """All events but those of single frames, for frames (name, luma) in their order."""
    watcher = Watcher(StackFocus)
    events = [event for name, luma in frames for event in watcher.see(name, luma)]
    return [event for event in (*events, *watcher.finish()) if not isinstance(event, FrameSeen)]


def only(events, kind):
    return [event for event in events if isinstance(event, kind)]


def shaken(luma, length_px=6.0, direction_deg=30.0):
    """A luma blurred by a straight motion, with the noise of a frame on top."""
    radius = int(length_px)
    along = np.linspace(-length_px / 2, length_px / 2, 101)
    kernel = np.zeros((2 * radius + 1, 2 * radius + 1), np.float32)
    turn = np.radians(direction_deg)
    for x, y in zip(radius + along * np.cos(turn), radius + along * np.sin(turn), strict=True):
        kernel[round(y), round(x)] += 1 / len(along)
    return with_noise(cv2.filter2D(luma, cv2.CV_32F, kernel, borderType=cv2.BORDER_REFLECT))


def with_noise(plane, level=1.5):
    noisy = plane + np.random.default_rng(7).normal(0, level, plane.shape)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)


def exposed(luma, stops):
    """A luma as another exposure gives it, by the sRGB curve (IEC 61966-2-1), roughly a power of 2.2."""
    return np.clip(np.rint(255 * ((luma / 255) ** 2.2 * 2.0**stops) ** (1 / 2.2)), 0, 255).astype(np.uint8)
