"""`--fix`: what it tries, keeps and takes back, on shoots with one fault each."""

import numpy as np
import pytest
from PIL import Image

from nearpair.shoot.deciding import Overrides
from nearpair.shoot.decisions import load
from nearpair.shoot.fixing import fix
from nearpair.shoot.run import make, run
from support.tiny import contents, shells


def reddened(folders):
    """The same subject, all in saturated red: the classic failure of red-cyan glasses (common practice)."""
    for file in sorted(path for folder in folders for path in folder.iterdir()):
        with Image.open(file) as picture:
            exif, codes = picture.getexif(), np.asarray(picture).astype(float)
        Image.fromarray((codes * (1.0, 0.06, 0.03)).astype(np.uint8)).save(file, quality=95, exif=exif)
    return folders


@pytest.fixture(scope="module")
def red(tmp_path_factory):
    """A red subject as a colour anaglyph."""
    folder = tmp_path_factory.mktemp("red")
    make(reddened(shells(folder / "card")), folder / "shoot", Overrides(method="colour"))
    return folder / "shoot"


@pytest.fixture(scope="module")
def fixed(red):
    return fix(red)


def test_a_red_subject_gets_a_method_that_both_eyes_can_see(red, fixed):
    done = fixed.fixed
    assert "red-rivalry" in done.advice_before
    assert "red-rivalry" not in done.advice_after
    assert load(red / "shoot.toml").colour.method == fixed.colour.method != "colour"
    assert done.decided == {"colour.method": fixed.colour.method}
    assert (done.verdict_before, done.verdict_after) == ("rework", fixed.verdict)
    rivalry = next(change for change in done.changes if change.measure == "in patches of rivalry")
    assert rivalry.before > 50 > 5 > rivalry.after


def test_every_trial_that_is_kept_made_things_better(fixed):
    kept = [trial for trial in fixed.fixed.trials if trial.kept]
    assert kept
    assert kept[-1].command.endswith(fixed.colour.method)
    assert not any(trial.kept and trial.why.endswith("stays") for trial in fixed.fixed.trials)


def test_the_page_shows_before_and_now_as_long_as_the_decisions_stand(red, fixed):
    page = (red / "proof.html").read_text()
    assert 'alt="The anaglyph before"' in page
    assert page.count("Taken back:") == sum(not trial.kept for trial in fixed.fixed.trials)
    assert run(red, "proof") == fixed
    assert run(red, "proof", Overrides(method="colour"), keep=False).fixed is None
    assert run(red, "proof") == fixed


def test_a_second_time_there_is_nothing_left_to_do(red, fixed):
    before = contents(red)
    assert fix(red) == fixed
    assert contents(red) == before


def test_too_much_depth_gets_a_smaller_base_and_never_a_worse_verdict(tmp_path):
    shoot = tmp_path / "shoot"
    before = make(shells(tmp_path / "card"), shoot, Overrides(screen_width_mm=4500, distance_mm=1000))
    assert "too-deep-for-screen" in {finding.code for finding in before.advice}
    after = fix(shoot)
    assert "too-deep-for-screen" not in {finding.code for finding in after.advice}
    assert after.fixed.decided["mounting.base_share"] == load(shoot / "shoot.toml").mounting.base_share < 1
    near, far = after.comfort.near_arcmin, after.comfort.far_arcmin
    assert -60 <= near < far <= 60


class Stopped(BaseException):
    """Nothing in the job may catch this."""


def test_a_stopped_trial_leaves_the_decisions_alone(tmp_path):
    shoot = tmp_path / "shoot"
    make(shells(tmp_path / "card"), shoot, Overrides(screen_width_mm=4500, distance_mm=1000))
    before = contents(shoot)

    def progress(what, done, _):
        if what == "mounting the pair" and done == 3:
            raise Stopped

    with pytest.raises(Stopped):
        fix(shoot, progress=progress)
    assert contents(shoot)["shoot.toml"] == before["shoot.toml"]
    run(shoot, "proof")
    assert contents(shoot) == before
