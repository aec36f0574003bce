"""Two runs on one shoot at once: the second is refused, the first is not disturbed."""

import pytest

from nearpair.errors import ShootError
from nearpair.shoot.run import make
from support.tiny import contents, shells


def test_a_second_run_is_refused_and_the_first_is_not_disturbed(tmp_path):
    folders, refusals = shells(tmp_path / "card"), []

    def second(what, done, _):
        if (what, done) in (("left: merging", 1), ("writing the outputs", 1)):
            with pytest.raises(ShootError, match="another run") as refused:
                make(folders, tmp_path / "shoot")
            refusals.append(refused.value)

    make(folders, tmp_path / "shoot", progress=second)
    assert len(refusals) == 2
    make(folders, tmp_path / "alone")
    assert contents(tmp_path / "shoot") == contents(tmp_path / "alone")
