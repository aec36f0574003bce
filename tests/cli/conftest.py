"""Small shoots to run the real program on: a ray-traced scene, every second frame, reduced."""

import shutil
from pathlib import Path

import pytest
from PIL import Image
from typer.testing import CliRunner

from nearpair.cli.main import app

SHELLS = Path(__file__).parents[1] / "data" / "scenes" / "shells"
SIZE = (360, 240)
EYES = ("left", "right")


@pytest.fixture
def nearpair():
    """Run the program in this process; gives exit_code, stdout and stderr."""

    def run(*arguments):
        return CliRunner().invoke(app, [str(argument) for argument in arguments])

    return run


def reduce(file: Path, target: Path, size=SIZE, **more):
    """Write a frame in another size with its metadata."""
    with Image.open(file) as picture:
        small = picture.resize(size, Image.Resampling.LANCZOS)
        small.save(target, quality=92, **{"exif": picture.getexif(), **more})


@pytest.fixture(scope="session")
def shells(tmp_path_factory):
    """Two folders, left and right, of 11 frames each; not to be changed."""
    folder = tmp_path_factory.mktemp("shells")
    for eye in EYES:
        (folder / eye).mkdir()
        for file in sorted((SHELLS / eye).iterdir())[::2]:
            reduce(file, folder / eye / file.name)
    return folder


@pytest.fixture
def card(shells, tmp_path):
    """A copy of the two folders that a test may spoil."""
    return shutil.copytree(shells, tmp_path / "card")


@pytest.fixture(scope="session")
def finished(shells, tmp_path_factory):
    """A shoot made of the two folders in this process: its folder and what was printed; not to be changed."""
    shoot = tmp_path_factory.mktemp("finished") / "shoot"
    arguments = ["make", str(shells / "left"), str(shells / "right"), "--to", str(shoot), "--json"]
    result = CliRunner().invoke(app, arguments)
    assert result.exit_code == 0, result.stderr
    return shoot, result


@pytest.fixture
def finished_copy(finished, tmp_path):
    """A copy of the finished shoot that a test may go on with."""
    return shutil.copytree(finished[0], tmp_path / "shoot")
