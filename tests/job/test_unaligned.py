"""Real photographs as they come: a pair that is not level, and a stack whose lens breathes."""

import shutil
from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np
import pytest
from benchmarks.judge import vertical_residual_px
from benchmarks.product import register
from PIL import Image

from nearpair.errors import SourceError
from support.jobs import run

REAL = Path(__file__).parents[1] / "data" / "real"
EYES = ("left", "right")


@pytest.fixture(scope="module")
def rockery(tmp_path_factory):
    """One frame for each eye, from a camera with two lenses (tests/data/real/rockery/SOURCE.txt)."""
    root = tmp_path_factory.mktemp("rockery")
    for eye in EYES:
        (root / eye).mkdir()
        shutil.copyfile(REAL / "rockery" / f"{eye}.jpg", root / eye / f"{eye}.jpg")
    return run([root / eye for eye in EYES], root / "shoot")


def test_a_pair_that_hangs_crooked_is_levelled(rockery):
    stored = [np.asarray(Image.open(REAL / "rockery" / f"{eye}.jpg")) for eye in EYES]
    assert vertical_residual_px(*stored) > 1.5
    assert vertical_residual_px(*(rockery.shoot.mounted(eye) for eye in EYES)) < 0.5


def test_the_crookedness_is_what_others_measured(rockery):
    # of the same file at full size, by matched points: roll −0.31°, y_left − y_right −19 to −4 px
    mounting = rockery.shoot.proof["mounting"]
    assert mounting["rotation_deg"] == pytest.approx(-0.31, abs=0.1)
    assert -19 / 4 < mounting["vertical_px"] < -4 / 4
    assert mounting["residual_vertical_px"]["rms"] < 0.5


def test_single_frames_are_named_single(rockery):
    assert [station["kind"] for station in rockery.shoot.proof["stations"]] == ["single", "single"]


def test_a_breathing_lens_is_followed():
    """Real stack of Won & Jeon, ECCV 2022; total 1.0641 as its SOURCE.txt says, and OpenCV's ECC beside it.

    Evangelidis & Psarakis, IEEE PAMI 30(10), 2008, as in cv2.findTransformECC.
    """
    files = sorted((REAL / "balls").glob("*.jpg"))
    placed = register(files, "ring")
    assert [frame.path for frame in placed.frames] == files
    total = placed.transforms[0].scale / placed.transforms[-1].scale
    assert total == pytest.approx(1.0641, abs=0.008)
    assert total == pytest.approx(ecc_total(files), abs=0.008)


def ecc_total(files):
    """Product of the scales from each frame to the next."""
    pictures = [
        cv2.GaussianBlur(np.asarray(Image.open(file).convert("L"), np.float32), (0, 0), 2) for file in files
    ]
    total = 1.0
    for first, second in pairwise(pictures):
        start = np.eye(2, 3, dtype=np.float32)
        stop = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_COUNT, 100, 1e-6)
        _, found = cv2.findTransformECC(first, second, start, cv2.MOTION_AFFINE, stop)
        total *= np.sqrt(np.linalg.det(found[:, :2]))
    return total


def test_one_stack_is_no_pair(tmp_path):
    with pytest.raises(SourceError, match="Only one station was found"):
        run([REAL / "balls"], tmp_path / "shoot")
