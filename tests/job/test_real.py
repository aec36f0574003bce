"""The whole job on real photographs whose depth other people measured, blurred by that depth in both eyes.

Sources: Cones (Scharstein & Szeliski, CVPR 2003), Aloe (Hirschmüller & Scharstein, CVPR 2007) and Motorcycle
(Scharstein et al., GCPR 2014), as package registries carry them; see tests/data/real and
tests/support/pairs.py. How the stacks are made is checked in tests/real.
"""

from dataclasses import dataclass

import pytest
from benchmarks.judge import parallax_error, psnr_db, true_deviation_px, vertical_residual_px

from support.cards import mixed
from support.jobs import run, sort
from support.pairs import aloe, cones, motorcycle
from support.simulate import Lens
from support.simulated import FAR, NEAR, simulate

EYES = ("left", "right")


@dataclass(frozen=True)
class Case:
    """A pair, how it is shot, and what may be expected of it."""

    pair: object
    lens: Lens
    orders: tuple
    view_db: tuple
    parallax_px: float
    deviation_share: float


CASES = {
    "cones": Case(cones, Lens(breathing=0.03), (FAR, NEAR), (28.5, 41), 0.3, 0.08),
    "aloe": Case(aloe, Lens(breathing=0.03), (FAR, FAR), (33, 44), 0.3, 0.08),
    "motorcycle": Case(motorcycle, Lens(breathing=0.04), (NEAR, FAR), (31, 41), 0.3, 0.05),
}


@pytest.fixture(scope="module", params=CASES)
def case(request):
    return CASES[request.param]


@pytest.fixture(scope="module")
def shot(case, tmp_path_factory):
    return simulate(case.pair(), case.lens, tmp_path_factory.mktemp("shot"), case.orders)


@pytest.fixture(scope="module")
def done(shot, tmp_path_factory):
    return run(list(shot.folders.values()), tmp_path_factory.mktemp("done") / "shoot")


def check_stacks(done, shot, eyes=EYES):
    for found, true in zip(EYES, eyes, strict=True):
        station = done.shoot.station(found)
        assert done.files(found) == shot.names[true]
        assert station["order"] == shot.orders[true]
    assert done.shoot.proof["set_aside"] == []


def test_eyes_and_order_are_found(done, shot):
    check_stacks(done, shot)


def test_a_turned_ring_is_told_from_a_rail(done):
    assert {done.shoot.station(eye)["kind"] for eye in EYES} == {"ring"}


def test_both_views_are_drawn_from_the_same_end(done, shot):
    ends = {shot.focus_of(done.reference(eye)) for eye in EYES}
    assert len(ends) == 1


@pytest.mark.parametrize("eye", EYES)
def test_a_view_is_the_photograph(done, shot, case, eye):
    least, most = case.view_db
    assert least < psnr_db(done.shoot.view(eye), shot.view(done.reference(eye))) < most


def test_parallax_is_the_measured_one(done, shot, case):
    error = parallax_error(done.shoot, shot.disparity_px(done.reference("left")), half=False)
    assert error.median_px < case.parallax_px
    assert error.known_share > 0.6


def test_the_deviation_is_the_measured_one(done, shot, case):
    # the nearest hundredth of Aloe is one leaf before all others, on which little can be matched
    true = shot.disparity_px(done.reference("left"))
    deviation_px = true_deviation_px(done.shoot, true, half=False)
    assert done.shoot.proof["depth"]["deviation_px"] == pytest.approx(deviation_px, rel=case.deviation_share)


def test_the_pair_is_level(done):
    assert vertical_residual_px(*(done.shoot.mounted(eye) for eye in EYES)) < 0.5
    assert done.shoot.proof["mounting"]["residual_vertical_px"]["rms"] < 0.5


def test_one_card_under_new_names_in_a_mirror(tmp_path):
    shot = simulate(cones().mirrored(), Lens(breathing=0.03), tmp_path / "shot", (FAR, NEAR))
    origin = mixed(shot.folders.values(), tmp_path / "card")
    check_stacks(sort([tmp_path / "card"], origin), shot)


def test_eyes_swapped_in_the_folders_names(tmp_path):
    shot = simulate(cones(), Lens(breathing=0.03), tmp_path / "shot", (NEAR, FAR), names=("right", "left"))
    done = sort(shot.folders.values())
    check_stacks(done, shot)
    assert done.shoot.proof["eyes"]["contradiction"]
