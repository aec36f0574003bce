"""Steps weighed anew: a camera on a rail in front of things at many depths, by similar triangles."""

import math

import numpy as np
import pytest

from nearpair.geometry.transforms import Similarity
from nearpair.stacks.align import Evidence
from nearpair.stacks.hindsight import Focus, Measured, weighed_anew
from nearpair.stacks.registration import magnifications, of_either_kind

SIZE = (480, 640)
CENTRE = ((SIZE[1] - 1) / 2, (SIZE[0] - 1) / 2)
RADIUS = CENTRE[0]
FOCUS_MM, STEP_MM, FRAMES = 200.0, 1.0, 12
INFORMATION = np.eye(4, dtype=np.float32) * 1e4


def sharpest(x_px):
    """The subject slopes from left to right through all planes of focus."""
    return x_px / (SIZE[1] - 1) * (FRAMES - 1)


def step_scale(behind_mm):
    """Frame k onto frame k-1, of a plane behind the one half way; the camera has gone nearer."""
    middle_mm = FOCUS_MM + behind_mm
    return (middle_mm - STEP_MM / 2) / (middle_mm + STEP_MM / 2)


def index_map():
    x = np.arange(SIZE[1] // 4) * 4 + 1.5
    return np.tile(np.rint(sharpest(x)).astype(np.float32), (SIZE[0] // 4, 1))


def measured(asked):
    """Steps at the scale of the plane half way; cell c of step k asks for `asked(k, x)` of size, and x px."""
    x, y = np.meshgrid(np.arange(24, SIZE[1], 48), np.arange(24, SIZE[0], 48))
    centres = np.stack([x.ravel(), y.ravel()], axis=1).astype(np.float32)
    found = []
    for k in range(FRAMES - 1):
        score = np.zeros((len(centres), 4), np.float32)
        # the change is taken off the transform, so a cell of larger scale asks for less
        score[:, 0] = [-asked(k, at) * RADIUS * INFORMATION[0, 0] for at in centres[:, 0]]
        evidence = Evidence(centres, np.tile(INFORMATION, (len(centres), 1, 1)), score)
        found.append(Measured(Similarity.about(CENTRE, step_scale(0.0)), evidence))
    return found


def anew(asked):
    focus = Focus(index_map(), 4, [Similarity()] * FRAMES)
    return weighed_anew(measured(asked), focus, SIZE)


def of_depth(k, x_px):
    """A cell sees the scale of its own depth: what is sharp later lies behind the plane half way."""
    behind_mm = (sharpest(x_px) - k - 0.5) * STEP_MM
    return step_scale(behind_mm) / step_scale(0.0) - 1


def test_depth_is_taken_out_where_the_camera_moved():
    lens, camera = anew(of_depth)
    expected = math.log(step_scale(0.0))
    off = [abs(step.ln_scale / expected - 1) for step in camera]
    # at the ends the content that counts lies 3 mm to one side on average: 1.5 % of the distance
    assert max(abs(step.ln_scale / expected - 1) for step in lens) > 0.01
    assert max(off) < 0.001


def test_of_both_kinds_each_is_kept():
    lens, camera = anew(of_depth)
    steps = of_either_kind(lens, camera)
    for kind, meant in (("ring", lens), ("rail", camera)):
        assert magnifications(steps, kind, 0) == pytest.approx(magnifications(meant, kind, 0), rel=1e-12)


def test_what_is_sharp_far_away_has_little_to_say():
    """Everything more than eight frames away is a hundredth too large: a quarter of what the ends see."""
    lens, _ = anew(lambda k, x: 0.01 * (abs(sharpest(x) - k - 0.5) > 8))
    for step in lens:
        assert step.ln_scale == pytest.approx(math.log(step_scale(0.0)), abs=6e-4)


def test_cells_that_disagree_make_a_step_uncertain():
    agreed, _ = anew(lambda k, x: 0.0)
    torn, _ = anew(lambda k, x: 0.02 * (-1) ** int(x // 48))
    assert torn[5].sigma[0] > 5 * agreed[5].sigma[0]
    assert torn[5].sigma[2] == pytest.approx(agreed[5].sigma[2])
