"""Merging whole stacks in one call, and the ray-traced scenes merged once for all tests."""

from functools import cache

import cv2
import numpy as np
from PIL import Image

from nearpair.geometry.transforms import Similarity
from nearpair.stacks.registration import placed, reference_end
from nearpair.views.merge import Merger
from support.surveys import frame_files, surveyed, truth


def merge(frames, places=None, brightness=None, count=None, expected=None, **settings):
    """The view of some frames; where nothing is said they lie on each other and are as bright."""
    merger = Merger(frames[0].shape[:2], count or len(frames), **settings)
    for number, frame in enumerate(frames):
        place = places[number] if places else Similarity()
        fits = expected[number] if expected else None
        merger.add(frame, place, brightness[number] if brightness else 1.0, fits)
    return merger.finish()


def pictures(scene, station):
    return [np.asarray(Image.open(file)) for file in frame_files(scene, station)]


def scene_places(scene, station):
    """(number of the reference frame, the place of every frame on it)."""
    found = surveyed(scene, station)
    reference = reference_end(found.steps)
    return reference, placed(found.steps, truth(scene)["kind"], reference, (400, 600))


@cache
def merged(scene, station, without=()):
    """A scene's view, as the job makes it; `without`: frames taken out, others where they were."""
    _, places = scene_places(scene, station)
    gains = surveyed(scene, station).gains
    kept = [k for k in range(len(places)) if k not in without]
    frames = pictures(scene, station)
    return merge([frames[k] for k in kept], [places[k] for k in kept], [gains[k] for k in kept])


def moved_by_opencv(frames, places):
    """The same frames registered with OpenCV, for the textbook methods."""
    size = frames[0].shape[1::-1]
    how = {"flags": cv2.INTER_CUBIC, "borderMode": cv2.BORDER_REFLECT_101}
    return [cv2.warpAffine(f, p.matrix(), size, **how) for f, p in zip(frames, places, strict=True)]
