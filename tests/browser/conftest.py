"""A real headless Chromium for the tests here; skipped, with the reason, where there is none.

With NEARPAIR_NEEDS_BROWSER=1 (as in .ci/run) a missing browser is a failure instead.
"""

import os
import shutil
import sys
from pathlib import Path
from shutil import copytree

import pytest

if (helpers := str(Path(__file__).parents[1])) not in sys.path:
    sys.path.insert(0, helpers)

from nearpair.desk.serve import serving
from nearpair.desk.session import Session
from support.desk import finished
from support.desk_page import Desk
from support.tiny import shells

NAMES = ("chromium", "chromium-browser", "google-chrome")
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


def missing(reason):
    """Skip, or fail where a browser has to be there."""
    if os.environ.get("NEARPAIR_NEEDS_BROWSER") == "1":
        pytest.fail(reason)
    pytest.skip(reason)


@pytest.fixture(scope="session")
def browser():
    """One Chromium for all tests here, with an empty profile of its own."""
    program = next(filter(None, map(shutil.which, NAMES)), None)
    if program is None:
        missing("no Chromium was found: install it to run these tests (on Debian: apt install chromium)")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=program, args=list(FLAGS))
        yield opened
        opened.close()


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
def desk(browser, shoot):
    with serving(Session(shoot)) as address:
        opened = Desk(browser, address)
        yield opened.wait("window.desk?.picture?.first > 0")
        opened.context.close()
