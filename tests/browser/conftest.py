"""A real headless Chromium for the tests here; skipped, with the reason, where there is none.

With NEARPAIR_NEEDS_BROWSER=1 (as in .ci/run) a missing browser is a failure instead.
"""

import os

import pytest

from nearpair.desk.serve import serving
from nearpair.desk.session import Session
from support import desk as shared
from support.chromium import installed, opened
from support.desk_page import Desk

card, made, shoot = shared.card, shared.made, shared.shoot


def missing(reason):
    """Skip, or fail where a browser has to be there."""
    if os.environ.get("NEARPAIR_NEEDS_BROWSER") == "1":
        pytest.fail(reason)
    pytest.skip(reason)


@pytest.fixture(scope="session")
def browser():
    """One Chromium for all tests here, with an empty profile of its own."""
    if installed() is None:
        missing("no Chromium was found: install it to run these tests (on Debian: apt install chromium)")
    with opened() as chromium:
        yield chromium


@pytest.fixture
def desk(browser, shoot):
    with serving(Session(shoot)) as address:
        opened = Desk(browser, address)
        yield opened.wait("window.desk?.picture?.first > 0")
        opened.context.close()
