"""A finished shoot and a desk it lies on."""

import pytest

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
