"""`nearpair desk` from the command line: its address, how it is closed, and what it refuses."""

import os
import signal
import subprocess
import sys
from urllib.request import urlopen

import pytest


@pytest.fixture
def card(tmp_path):
    folder = tmp_path / "card"
    folder.mkdir()
    return [folder]


def started(*arguments):
    return subprocess.Popen(
        [sys.executable, "-m", "nearpair", "desk", *map(str, arguments), "--no-browser"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )


def test_it_says_its_address_and_ends_with_ctrl_c(tmp_path, card):
    desk = started(*card, "--to", tmp_path / "new")
    try:
        said = desk.stdout.readline()
        assert said.startswith("The desk is open at http://127.0.0.1:")
        desk.stdout.readline()
        with pytest.raises(Exception, match="403"):
            urlopen(said.split()[-1].split("?")[0], timeout=20)  # noqa: S310 - our own address
        desk.send_signal(signal.SIGINT)
        rest, errors = desk.communicate(timeout=60)
    finally:
        desk.kill()
    assert (desk.returncode, rest, errors) == (0, "Closed.\n", "")
    assert not (tmp_path / "new").exists()


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["nowhere"], "there is no shoot here"),
        (["."], "nearpair desk . --to SHOOT"),
        (["nowhere", "--to", "new"], "is not a folder"),
        (["one", "two"], "not where to make the shoot"),
    ],
)
def test_what_is_missing_is_told_with_what_to_do(tmp_path, monkeypatch, arguments, said):
    monkeypatch.chdir(tmp_path)
    desk = started(*arguments)
    output, errors = desk.communicate(timeout=60)
    assert (desk.returncode, output) == (1, "")
    assert said in errors
    assert "What to do:" in errors
