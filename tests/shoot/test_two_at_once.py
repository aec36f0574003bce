"""Two runs on one shoot at once: the second is refused, the first is not disturbed."""

import os
import signal
import subprocess
import sys

import pytest

from nearpair.errors import ShootError
from nearpair.shoot.fixing import fix
from nearpair.shoot.material import Settings
from nearpair.shoot.publishing import publish
from nearpair.shoot.run import candidates, make, run
from support.tiny import contents, shells

HOLDS = """
import sys, time
from pathlib import Path
from nearpair.shoot.folder import ShootFolder
with ShootFolder.open(Path(sys.argv[1])).lock():
    print("locked", flush=True)
    time.sleep(60)
"""


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


def test_every_other_command_is_refused_meanwhile(tmp_path):
    """While another process holds the shoot; once that was killed, its lock is no obstacle."""
    folders, shoot = shells(tmp_path / "card"), tmp_path / "shoot"
    make(folders, shoot)
    before = contents(shoot)
    commands = (
        lambda: make(folders, shoot),
        lambda: run(shoot, "merge"),
        lambda: candidates(shoot),
        lambda: publish(shoot, ["anaglyph"], Settings(size_px=60)),
        lambda: fix(shoot),
    )
    with subprocess.Popen([sys.executable, "-c", HOLDS, shoot], stdout=subprocess.PIPE, text=True) as other:
        assert other.stdout.readline() == "locked\n"
        for command in commands:
            with pytest.raises(ShootError, match="another run of nearpair is at work"):
                command()
        assert contents(shoot) == before
        os.kill(other.pid, signal.SIGKILL)
    publish(shoot, ["anaglyph"], Settings(size_px=60))
    del before["out/outputs.json"]  # now it lists that form, too
    assert {**contents(shoot), **before} == contents(shoot)
