"""Rail or ring: strips at known depths, seen by a pinhole camera that moves or stays; ray-traced scenes."""

import math

import cv2
import numpy as np
import pytest

from nearpair.geometry.transforms import Similarity
from nearpair.stacks.dilation import Dilation, dilation
from support.surveys import STATIONS, surveyed, truth
from support.textures import texture

SIZE = (320, 480)
REDUCTION = 4
STRIPS = 5
COUNT = 30
PER_FRAME = 0.006  # advance over distance; 17 % over the stack


def scaled(plane, scale):
    """Enlarged about its middle (OpenCV, Lanczos)."""
    height, width = SIZE
    middle = ((width - 1) / 2, (height - 1) / 2)
    matrix = Similarity.about(middle, scale).matrix()
    return cv2.warpAffine(
        plane, matrix, (width, height), flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT
    )


def seen(frame, moves):
    """Strips side by side, the left one focused in frame 0, the right one in the last; all sharp.

    A plane at distance 1 + m·κ of frame 0 is seen by frame i, advanced by i·κ, larger by the ratio of the
    distances (similar triangles); by a camera that stays, all strips are larger by the same.
    """
    base = texture("gravel")[: SIZE[0], : SIZE[1]]
    picture = np.zeros(SIZE, np.float32)
    for strip in range(STRIPS):
        number = strip * (COUNT - 1) / (STRIPS - 1)
        distance = 1 + (number - frame) * PER_FRAME
        scale = (1 + number * PER_FRAME) / distance if moves else math.exp(PER_FRAME * frame)
        mask = np.zeros(SIZE, np.float32)
        mask[:, strip * SIZE[1] // STRIPS : (strip + 1) * SIZE[1] // STRIPS] = 1
        inside = scaled(mask, scale) > 0.5
        picture[inside] = scaled(np.ascontiguousarray(base), scale)[inside]
    return picture


def measured(moves):
    """The dilation of the strips, with the registration a perfect measurement gives."""
    numbers = range(0, COUNT, 2)
    half = [
        (k, cv2.resize(seen(k, moves), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)) for k in numbers
    ]
    step = (1 - PER_FRAME / 2) / (1 + PER_FRAME / 2) if moves else math.exp(-PER_FRAME)
    middle = ((SIZE[1] - 1) / 2, (SIZE[0] - 1) / 2)
    to_first = [Similarity.about(middle, step**k) for k in range(COUNT)]
    strips = np.minimum(np.arange(SIZE[1] // REDUCTION) * REDUCTION * STRIPS // SIZE[1], STRIPS - 1)
    index = np.tile(strips * (COUNT - 1) / (STRIPS - 1), (SIZE[0] // REDUCTION, 1)).astype(np.float32)
    return dilation(half, to_first, index, REDUCTION)


def test_a_rail_shows_the_slope_that_geometry_gives():
    found = measured(moves=True)
    # κ² a frame, times the frames apart of the key frames compared; worked by hand in the module's docstring
    assert found.slope_if_rail == pytest.approx(PER_FRAME**2 * 10, rel=0.02)
    assert found.slope == pytest.approx(found.slope_if_rail, rel=0.15)
    assert found.tiles > 100
    assert found.log_odds_rail > 3


def test_a_ring_shows_no_slope():
    found = measured(moves=False)
    assert abs(found.slope) < 0.05 * found.slope_if_rail
    assert found.log_odds_rail < -3


# by hand: the log of the ratio of two normal densities, centred on the rail's slope and on 0
@pytest.mark.parametrize(
    ("slope", "sigma", "if_rail", "expected"),
    [
        (3e-4, 1e-4, 3e-4, 4.5),
        (0.0, 1e-4, 3e-4, -4.5),
        (1.5e-4, 1e-4, 3e-4, 0.0),
        (1e-2, 1e-4, 3e-4, 6.0),
        (-1e-2, 1e-4, 3e-4, -6.0),
    ],
)
def test_odds_by_hand(slope, sigma, if_rail, expected):
    assert Dilation(slope, sigma, if_rail, 50).log_odds_rail == pytest.approx(expected, abs=1e-9)


def test_few_frames_and_flat_things_say_nothing():
    flat = np.full((100, 150), 0.5, np.float32)
    index = np.zeros((50, 75), np.float32)
    assert dilation([(k, flat) for k in range(4)], [Similarity()] * 4, index, REDUCTION) is None
    assert dilation([(k, flat) for k in range(12)], [Similarity()] * 12, index, REDUCTION) is None


@pytest.mark.parametrize("station", ["station_2", "station_4"])
def test_the_gears_were_shot_on_a_rail(station):
    """Ray-traced truth: kind "rail", 1.3 mm a frame at 210 mm."""
    found = surveyed("gears", station).dilation
    assert truth("gears")["kind"] == "rail"
    assert found.log_odds_rail > 3
    assert found.slope == pytest.approx(found.slope_if_rail, rel=0.6)


@pytest.mark.parametrize(("scene", "station"), STATIONS)
def test_weak_evidence_never_says_the_wrong_thing_loudly(scene, station):
    """Whatever is said of a shallow stack stays below odds of twenty to one for the wrong kind."""
    found = surveyed(scene, station).dilation
    if found is not None:
        wrong = -found.log_odds_rail if truth(scene)["kind"] == "rail" else found.log_odds_rail
        assert wrong < 3
