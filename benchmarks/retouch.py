"""How well a frame is put into an area of a view, against a hard edge, a soft edge and the textbook's bands.

    python -m benchmarks.retouch SCENE...

Places are drawn at random (fixed seed) where one frame is the sharpest nearly all around. There the view is
made wrong by a frame eight away, in four fifths of the brush, and put right again by each method.
"""

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from benchmarks.product import merge_files, register
from benchmarks.truth import Scene, load
from nearpair.frames.read import read_pixels
from nearpair.geometry.strokes import Stroke, places_in
from nearpair.views.merge import View
from nearpair.views.retouch import Area, Source, area_of, crop_of, put_in

F32 = NDArray[np.float32]
Method = Callable[[View, Area, Source, F32], F32]
PLACES, RING_PX, AWAY = 40, 3, 8


def hard(view: View, area: Area, source: Source, away: F32) -> F32:
    del area
    return _mixed(view, source, (away <= 0).astype(np.float32))


def soft(view: View, area: Area, source: Source, away: F32) -> F32:
    return _mixed(view, source, np.clip(0.5 - away / (0.3 * area.radius_px), 0, 1))


def bands(view: View, area: Area, source: Source, away: F32) -> F32:
    """Burt & Adelson 1983: each band cut with an edge of its size, three bands."""
    del area
    below, frame = _both(view, source)
    apart, inside = [frame - below], [np.clip(0.5 - away, 0, 1).astype(np.float32)]
    for _ in range(3):
        apart.append(np.asarray(cv2.pyrDown(apart[-1]), np.float32))
        inside.append(np.asarray(cv2.pyrDown(inside[-1]), np.float32))
    added = apart[-1] * inside[-1][..., None]
    for level in range(2, -1, -1):
        size = (apart[level].shape[1], apart[level].shape[0])
        detail = apart[level] - cv2.pyrUp(apart[level + 1], dstsize=size)
        added = cv2.pyrUp(added, dstsize=size) + detail * inside[level][..., None]
    return np.asarray(np.clip(np.rint(below + added), 0, 255), np.float32)


def ours(view: View, area: Area, source: Source, away: F32) -> F32:
    del away
    return put_in(view, area, source).rgb.astype(np.float32)


METHODS: dict[str, Method] = {"hard edge": hard, "soft edge": soft, "bands": bands, "ours": ours}


def _both(view: View, source: Source) -> tuple[F32, F32]:
    height, width = view.focus.shape
    frame, _ = crop_of(Source(source.rgb, source.to_view, source.brightness, 0), (0, 0, width, height))
    return view.rgb.astype(np.float32), frame.astype(np.float32)


def _mixed(view: View, source: Source, share: F32) -> F32:
    below, frame = _both(view, source)
    return np.rint(below + (frame - below) * share[..., None]).astype(np.float32)


def measure(scene: Scene, station: str) -> None:
    """Print the mean square errors of a station's view, as dB, in the areas and in a ring on their rims."""
    files = sorted((scene.folder / station).iterdir())
    kind: Literal["rail", "ring"] = "rail" if scene.kind == "rail" else "ring"
    stack = register(files, kind)
    view = merge_files(files, kind)
    truth = scene.view(files[stack.reference].name).astype(np.float32)
    height, width = view.focus.shape
    random, errors = np.random.default_rng(1), {name: np.zeros(2) for name in ("wrong", *METHODS)}
    count = 0
    while count < PLACES:
        radius = float(random.choice([12, 20, 32])) * width / 600
        point = (
            float(random.uniform(radius, width - radius)),
            float(random.uniform(radius, height - radius)),
        )
        stroke = Stroke((point,), radius)
        away = stroke.distance_px(places_in((0, 0, width, height))) - np.float32(radius)
        focus = view.focus[(away <= 0) & np.isfinite(view.focus)]
        number = int(np.rint(np.median(focus))) if focus.size else -1
        if not 0 <= number < len(files) or np.percentile(np.abs(focus - number), 90) > 5:
            continue
        count += 1
        other = number + AWAY if number + AWAY < len(files) else number - AWAY
        one, wrong = (
            Source(read_pixels(stack.frames[k]), stack.transforms[k], stack.gains[k], k)
            for k in (number, other)
        )
        spoilt = View(
            bands(view, _area(stroke, 0.8, height, width), wrong, away + np.float32(0.2 * radius)).astype(
                np.uint8
            ),
            view.focus,
        )
        made = {
            name: method(spoilt, _area(stroke, 1, height, width), one, away)
            for name, method in METHODS.items()
        }
        for name, picture in {"wrong": spoilt.rgb.astype(np.float32), **made}.items():
            square = (picture - truth) ** 2
            errors[name] += [np.mean(square[away <= 0]), np.mean(square[np.abs(away) < RING_PX])]
    for name, error in errors.items():
        area, ring = 10 * np.log10(255**2 / (error / count))
        print(f"{scene.folder.name:20} {station:10} {name:10} area {area:5.2f} dB  rim {ring:5.2f} dB")


def _area(stroke: Stroke, times: float, height: int, width: int) -> Area:
    found = area_of(Stroke(stroke.points_px, stroke.radius_px * times), (height, width))
    assert found is not None, "the place lies inside"  # noqa: S101
    return found


if __name__ == "__main__":
    for folder in sys.argv[1:]:
        loaded = load(Path(folder))
        measure(loaded, loaded.left)
