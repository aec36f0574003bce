"""How true the disparity is, on ray-traced scenes with stacks and on measured pairs, beside OpenCV's matcher.

    python -m benchmarks.pairs [FOLDER...] [--data DIR] [--made]

A FOLDER with `truth/truth.json` is a scene of two stations: the job makes its views, and all matchers get
them on the same rows, with the same range. Cones, Motorcycle and Aloe (tests/support/pairs.py) follow: single
photographs, so focus has nothing to say. StereoSGBM has the penalties of OpenCV's documentation and all
eight directions; its pictures are padded, so that it may answer up to their sides.

Errors in the Middlebury sense (per cent farther than 1 and 2 px from the truth, mean error in px; definitions
from memory): of what was answered, where both eyes see; of the surest of ours, as many as OpenCV answers;
with no answer taken as wrong; and with gaps filled, ours by the matcher itself, the others' from the farther
neighbour in the row (Middlebury's way with sparse answers), where both eyes see and everywhere. Left out are
a border of 2 % of the scenes, what lies beyond the other picture's sides, and what nobody measured.
Occlusion: how much of what was marked is hidden from the right eye (for OpenCV: was not answered), and how
much of what is hidden was marked. "s" are seconds of all cores together, as the processor counts them.
"""

import argparse
import importlib
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from benchmarks.both_eyes import Correspondence, correspondence
from benchmarks.judge import Mask, Picture, Plane, Shoot, inner
from benchmarks.quality import run
from benchmarks.semi_global import usual_matcher
from benchmarks.truth import Scene, load
from nearpair.pairs.dense import dense
from nearpair.pairs.disparity import match_rows
from nearpair.pairs.focal import Guide
from nearpair.pixels.luma import luma
from nearpair.shoot.levelling import Focused, Level, on_common_rows

ROOT = Path(__file__).parents[1]
SEEN_BY_BOTH_PX = 1.5
HEAD = (
    f"{'pair':20}{'matcher':15}{'s':>5}{'answered':>10}{'bad 1':>7}{'bad 2':>7}{'mean':>6}"
    f"{'of as many: 2':>15}{'no answer=wrong: 2':>20}{'filled: 1':>11}{'2':>6}{'mean':>6}"
    f"{'everywhere: 1':>15}{'2':>6}{'mean':>6}{'occlusion P':>13}{'R':>6}"
)


@dataclass(frozen=True)
class Case:
    """Two pictures whose rows agree, and the true disparity at `at` (rows, columns) of the first."""

    name: str
    first: Picture
    second: Picture
    range_px: tuple[int, int]
    expected: Guide | None
    at: tuple[NDArray[np.int64], NDArray[np.int64]]
    disparity_px: Plane
    both: Mask
    judged: Mask
    """Measured, inside the border, and not beyond the second picture's sides."""


@dataclass(frozen=True)
class Answer:
    """What a matcher says: disparity (NaN: no answer), the same filled, what is hidden, how sure; seconds."""

    px: NDArray[np.float32]
    filled_px: NDArray[np.float32]
    occluded: Mask
    seconds: float
    confidence: NDArray[np.float32] | None = None


@dataclass(frozen=True)
class Errors:
    """Per cent beyond 1 and 2 px, and the mean (px), of absolute errors."""

    bad_1: float
    bad_2: float
    mean_px: float

    @classmethod
    def of(cls, error_px: Plane) -> "Errors":
        """Return them for errors (N,); no answer (NaN) is wrong and has no part in the mean."""
        wrong = [100 * float(np.mean(~(error_px <= limit))) for limit in (1.0, 2.0)]
        return cls(wrong[0], wrong[1], float(np.nanmean(error_px)))


@dataclass(frozen=True)
class Score:
    """One matcher on one pair."""

    answered: float
    of_answers: Errors
    complete: Errors
    filled: Errors
    everywhere: Errors
    precision: float
    recall: float


def score(case: Case, answer: Answer) -> Score:
    """Hold an answer against the truth."""
    both, hidden = case.both & case.judged, ~case.both & case.judged
    error = np.abs(answer.px[case.at] - case.disparity_px)
    full = np.abs(answer.filled_px[case.at] - case.disparity_px)
    marked = answer.occluded[case.at] & case.judged
    told = np.isfinite(error)
    return Score(
        answered=float(told[both].mean()),
        of_answers=Errors.of(error[both & told]),
        complete=Errors.of(error[both]),
        filled=Errors.of(full[both]),
        everywhere=Errors.of(full[case.judged]),
        precision=float((marked & hidden).sum() / max(1, marked.sum())),
        recall=float((marked & hidden).sum() / max(1, hidden.sum())),
    )


def bad_2_of(case: Case, answer: Answer, share: float) -> float:
    """Per cent beyond 2 px of the surest answers, as many as `share` of what both eyes see; NaN of fewer."""
    if answer.confidence is None:
        return float("nan")
    both = case.both & case.judged
    error, sure = np.abs(answer.px[case.at] - case.disparity_px)[both], answer.confidence[case.at][both]
    told = np.isfinite(error)
    order = np.argsort(-sure[told], kind="stable")
    count = round(share * both.sum())
    return Errors.of(error[told][order[:count]]).bad_2 if count <= told.sum() else float("nan")


def scene_case(scene: Scene, shoot: Shoot) -> Case:
    """Lay the views of a finished scene on common rows, as mounting does."""
    left, right = (
        Focused(shoot.focus_map(eye), len(shoot.station(eye)["frames"])) for eye in ("left", "right")
    )
    level = on_common_rows((shoot.view("left"), shoot.view("right")), (left, right), 1)
    found = correspondence(scene, shoot.reference_file("left"), shoot.reference_file("right"))
    return on_level(scene.folder.name, found, level)


def on_level(name: str, found: Correspondence, level: Level) -> Case:
    """Move the truth to where the views lie."""
    left = level.on.first.apply(found.left_px.reshape(-1, 2).astype(np.float64)).reshape(found.left_px.shape)
    right = level.on.second.apply(found.right_px.reshape(-1, 2).astype(np.float64)).reshape(
        found.left_px.shape
    )
    columns, rows = (np.rint(left[..., k]).astype(np.int64) for k in (0, 1))
    height, width = level.first.shape[:2]
    judged = np.zeros(columns.shape, dtype=np.bool_)
    inner(judged)[:] = True
    judged &= (columns >= 0) & (columns < width) & (rows >= 0) & (rows < height)
    judged &= (right[..., 0] >= 0) & (right[..., 0] <= width - 1)
    at = np.clip(rows, 0, height - 1), np.clip(columns, 0, width - 1)
    first, second = np.asarray(level.first, np.uint8), np.asarray(level.second, np.uint8)
    truth = at, left[..., 0] - right[..., 0], found.both, judged
    return Case(name, first, second, level.on.range_px, level.expected, *truth)


def measured_case(pair: Any) -> Case:
    """Return a measured pair (tests/support/pairs.py), searched 2 px beyond what it has."""
    true = pair.disparity_left_px
    rows, columns = np.indices(true.shape)
    there = np.rint(columns - true).astype(np.int64)
    inside = (there >= 0) & (there < true.shape[1])
    back = pair.disparity_right_px[rows, np.clip(there, 0, true.shape[1] - 1)]
    both = np.abs(back - true) <= SEEN_BY_BOTH_PX
    known = true[pair.known_left]
    range_px = int(known.min()) - 2, int(np.ceil(known.max())) + 2
    truth = (rows, columns), true, both, pair.known_left & inside
    return Case(pair.name, pair.left, pair.right, range_px, None, *truth)


def guided(case: Case) -> Answer:
    """Ours, as mounting has it."""
    return _dense(case, case.expected)


def unguided(case: Case) -> Answer:
    """Ours without what focus says."""
    return _dense(case, None)


def _dense(case: Case, expected: Guide | None) -> Answer:
    start = time.process_time()
    found = dense(case.first, case.second, *case.range_px, expected)
    return Answer(found.px, found.filled_px, found.occluded, time.process_time() - start, found.confidence)


def plain(case: Case) -> Answer:
    """Ours by luma alone, nothing filled: what deciding the eyes uses, and mounting did before."""
    start = time.process_time()
    found = match_rows(luma(case.first), luma(case.second), *case.range_px)
    seconds = time.process_time() - start
    return Answer(found.px, filled(found.px), found.occluded, seconds)


def opencv(case: Case) -> Answer:
    """StereoSGBM with the penalties that OpenCV's documentation gives."""
    lowest, highest = case.range_px
    usual, count = usual_matcher(lowest, highest)
    # it answers nothing in columns from which the range reaches beyond the other picture's sides
    left, right = max(0, lowest + count), max(0, -lowest)
    start = time.process_time()
    grey = [
        np.pad(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY), ((0, 0), (left, right)), mode="edge")
        for picture in (case.first, case.second)
    ]
    found = usual.compute(grey[0], grey[1]).astype(np.float32)[:, left : left + case.first.shape[1]] / 16
    seconds = time.process_time() - start
    px = np.where(found < lowest, np.float32(np.nan), found)
    return Answer(px, filled(px), np.isnan(px), seconds)


def filled(px: NDArray[np.float32]) -> NDArray[np.float32]:
    """Give each gap the farther of its two neighbours in the row; rows without any, the least of all."""
    known, width = np.isfinite(px), px.shape[1]
    before = np.maximum.accumulate(np.where(known, np.arange(width), -1), axis=1)
    after = np.minimum.accumulate(np.where(known, np.arange(width), width)[:, ::-1], axis=1)[:, ::-1]
    held = np.pad(np.where(known, px, np.inf), ((0, 0), (1, 1)), constant_values=np.inf)
    rows = np.arange(len(px))[:, None]
    farther = np.minimum(held[rows, before + 1], held[rows, after + 1])
    return np.where(np.isfinite(farther), farther, np.nanmin(px)).astype(np.float32)


MATCHERS: dict[str, Callable[[Case], Answer]] = {
    "ours": guided,
    "without focus": unguided,
    "luma alone": plain,
    "OpenCV SGBM": opencv,
}


def report(case: Case) -> None:
    """Print one line for each matcher."""
    theirs = score(case, opencv(case)).answered
    for name, matcher in MATCHERS.items():
        if name == "without focus" and case.expected is None:
            continue
        answer = matcher(case)
        found = score(case, answer)
        told, full, all_px = found.of_answers, found.filled, found.everywhere
        as_many = bad_2_of(case, answer, theirs)
        print(
            f"{case.name:20}{name:15}{answer.seconds:5.1f}"
            f"{found.answered:10.3f}{told.bad_1:7.2f}{told.bad_2:7.2f}{told.mean_px:6.2f}"
            f"{as_many:15.2f}{found.complete.bad_2:20.2f}{full.bad_1:11.2f}{full.bad_2:6.2f}{full.mean_px:6.2f}"
            f"{all_px.bad_1:15.2f}{all_px.bad_2:6.2f}{all_px.mean_px:6.2f}"
            f"{found.precision:13.2f}{found.recall:6.2f}",
            flush=True,
        )


def measured_pairs() -> list[Any]:
    """Return the pairs that the tests carry."""
    if (tests := str(ROOT / "tests")) not in sys.path:
        sys.path.insert(0, tests)
    pairs: Any = importlib.import_module("support.pairs")  # lies beside the tests, in no package

    return [pairs.cones(), pairs.motorcycle(), pairs.aloe()]


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="*", metavar="FOLDER")
    parser.add_argument("--data", type=Path, default=Path("bench-data"), help="where the shoots are made")
    parser.add_argument("--made", action="store_true", help="judge the shoots of an earlier run in DIR")
    options = parser.parse_args()
    measured = [measured_case(pair) for pair in measured_pairs()]
    for matcher in MATCHERS.values():
        matcher(measured[0])  # compiled before it is timed
    print(HEAD)
    for folder in options.folders:
        (options.data / "pairs").mkdir(parents=True, exist_ok=True)
        scene, target = load(folder), options.data / "pairs" / folder.name
        report(scene_case(scene, Shoot.load(target) if options.made else run(scene, target).shoot))
    for case in measured:
        report(case)


if __name__ == "__main__":
    main()
