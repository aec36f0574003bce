"""Merging whole stacks in one call, and the ray-traced scenes merged once for all tests."""

from functools import cache

import cv2
import numpy as np
from PIL import Image

from nearpair.geometry.transforms import Similarity
from nearpair.pixels.detail import block_detail
from nearpair.pixels.planes import full_planes, halved_planes
from nearpair.stacks.registration import placed, reference_end
from nearpair.views.merge import Merger
from nearpair.views.responses import coverage
from nearpair.views.worth import Worths
from support.surveys import frame_files, surveyed, truth


def planes_of(frame, chroma_halved=False):
    """A frame as the job hands it to the merger: halved chroma in codes, else everything in fixed point."""
    return halved_planes(frame) if chroma_halved else full_planes(frame)


def merge(frames, places=None, brightness=None, expected=None, worth=None, chroma_halved=False):
    """The view of some frames; where nothing is said they lie on each other and are as bright."""
    merger = Merger(frames[0].shape[:2], bits=8 * frames[0].itemsize, chroma_halved=chroma_halved)
    for number, frame in enumerate(frames):
        place = places[number] if places else Similarity()
        merger.add(
            planes_of(frame, chroma_halved),
            place,
            brightness[number] if brightness else 1.0,
            worth=worth[number] if worth else None,
            expected=expected[number] if expected else None,
        )
    return merger.finish()


def judged(frames, places, reference, chroma_halved=False, expected=None):
    """What is worth looking at of each frame, as the job finds it."""
    return _taken(frames, places, reference, chroma_halved, expected)[1]


def covered(frames, places=None, reference=0, chroma_halved=False):
    """What the stack has sharp, as the job finds it."""
    places = places or [Similarity()] * len(frames)
    responses, worth = _taken(frames, places, reference, chroma_halved)
    view = merge(frames, places, worth=worth if len(frames) > 1 else None, chroma_halved=chroma_halved)
    return coverage(view.focus, responses, len(frames))


def _taken(frames, places, reference, chroma_halved=False, expected=None):
    """What a judge of blocks finds when it takes all frames in: (responses, what is worth of each)."""
    planes = [planes_of(frame, chroma_halved) for frame in frames]
    codes = [block_detail(each.luma, each.white) for each in planes]
    fits = expected or [None] * len(frames)
    worths = Worths(frames[0].shape[:2], places, reference)
    for number, given in enumerate(codes):
        worths.take(number, given, fits[number])
    worth = [worths.of(number, given, fits[number]) for number, given in enumerate(codes)]
    return worths.responses(), worth


def pictures(scene, station):
    return [np.asarray(Image.open(file)) for file in frame_files(scene, station)]


def scene_places(scene, station):
    """(number of the reference frame, the place of every frame on it)."""
    found = surveyed(scene, station)
    reference = reference_end(found.steps)
    return reference, placed(found.steps, truth(scene)["kind"], reference, (400, 600))


@cache
def merged(scene, station, without=(), everywhere=False):
    """A scene's view, as the job makes it; `without`: frames taken out, others where they were.

    everywhere: every frame is looked at all over, whether it is worth that or not.
    """
    reference, places = scene_places(scene, station)
    gains = surveyed(scene, station).gains
    kept = [k for k in range(len(places)) if k not in without]
    frames = pictures(scene, station)
    frames, places, gains = ([of[k] for k in kept] for of in (frames, places, gains))
    worth = None if everywhere else judged(frames, places, kept.index(reference), chroma_halved=True)
    return merge(frames, places, gains, worth=worth, chroma_halved=True)


@cache
def scene_coverage(scene, station, without=()):
    """What a scene's stack has sharp, as the job finds it; `without`: frames taken out."""
    reference, places = scene_places(scene, station)
    kept = [k for k in range(len(places)) if k not in without]
    frames = pictures(scene, station)
    frames, places = ([of[k] for k in kept] for of in (frames, places))
    responses, _ = _taken(frames, places, kept.index(reference), chroma_halved=True)
    return coverage(merged(scene, station, without).focus, responses, len(kept))


def moved_by_opencv(frames, places):
    """The same frames registered with OpenCV, for the textbook methods."""
    size = frames[0].shape[1::-1]
    how = {"flags": cv2.INTER_CUBIC, "borderMode": cv2.BORDER_REFLECT_101}
    return [cv2.warpAffine(f, p.matrix(), size, **how) for f, p in zip(frames, places, strict=True)]
