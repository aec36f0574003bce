"""A real headless Chromium, with an empty profile of its own."""

import shutil
from contextlib import contextmanager

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


def installed():
    """Path of the program, None if there is none."""
    return next(filter(None, map(shutil.which, NAMES)), None)


@contextmanager
def opened():
    """The browser, by Playwright."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=installed(), args=list(FLAGS))
        yield browser
        browser.close()
