"""A real headless Chromium for the tests here; skipped, with the reason, where there is none.

With NEARPAIR_NEEDS_BROWSER=1 (as in .ci/run) a missing browser is a failure instead.
"""

import os
import shutil

import pytest

from nearpair.desk.serve import serving
from nearpair.desk.session import Session
from support import desk as shared
from support.desk_page import Desk

card, made, shoot = shared.card, shared.made, shared.shoot

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


@pytest.fixture
def desk(browser, shoot):
    with serving(Session(shoot)) as address:
        opened = Desk(browser, address)
        yield opened.wait("window.desk?.picture?.first > 0")
        opened.context.close()
