"""Lets the tests here import `support`, and gives them a finished shoot and a desk it lies on."""

import sys
from pathlib import Path
from shutil import copytree

import pytest

if (helpers := str(Path(__file__).parents[1])) not in sys.path:
    sys.path.insert(0, helpers)

from nearpair.desk.serve import serving
from nearpair.desk.session import Session
from support.desk import Visitor, finished
from support.tiny import shells


@pytest.fixture(scope="session")
def card(tmp_path_factory):
    return shells(tmp_path_factory.mktemp("card"))


@pytest.fixture(scope="session")
def made(card, tmp_path_factory):
    return finished(tmp_path_factory, card)


@pytest.fixture
def shoot(made, tmp_path):
    return copytree(made, tmp_path / "shells")


@pytest.fixture
def session(shoot):
    return Session(shoot)


@pytest.fixture
def visitor(session):
    with serving(session) as address:
        yield Visitor(address)
