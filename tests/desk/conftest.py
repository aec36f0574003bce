"""Lets the tests here import `support`, and gives them a finished shoot and a desk it lies on."""

import sys
from pathlib import Path

import pytest

if (helpers := str(Path(__file__).parents[1])) not in sys.path:
    sys.path.insert(0, helpers)

from nearpair.desk.serve import serving
from nearpair.desk.session import Session
from support import desk
from support.desk import Visitor

card, made, shoot = desk.card, desk.made, desk.shoot


@pytest.fixture
def session(shoot):
    return Session(shoot)


@pytest.fixture
def visitor(session):
    with serving(session) as address:
        yield Visitor(address)
