"""Somebody at the desk, for tests."""

import json
import time
from http.client import HTTPConnection
from shutil import copytree
from urllib.parse import urlsplit

import pytest

from nearpair.shoot.run import make
from support.tiny import shells


class Visitor:
    """Somebody who sends requests to the desk, with the cookie or without."""

    def __init__(self, address):
        self.address = urlsplit(address)
        self.cookie = ""

    def ask(self, path, body=None, method=None, **headers):
        connection = HTTPConnection("127.0.0.1", self.address.port, timeout=60)
        sent = {"cookie": self.cookie, **{k.replace("_", "-"): v for k, v in headers.items()}}
        if body is not None:
            sent = {"content-type": "application/json", **sent}
            body = body if isinstance(body, bytes) else json.dumps(body).encode()
        connection.request(method or ("GET" if body is None else "POST"), path, body, sent)
        answer = connection.getresponse()
        found = answer.status, dict(answer.getheaders()), answer.read()
        connection.close()
        return found

    def enter(self):
        """Open the address that was printed."""
        status, headers, _ = self.ask(f"/?{self.address.query}")
        assert status == 303
        self.cookie = headers["set-cookie"].split(";")[0]
        return self

    def json(self, path, body=None):
        status, _, data = self.ask(path, body)
        return status, json.loads(data)

    def waited(self, seconds=60):
        """How the work ended that runs now."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            job = self.json("/state")[1]["job"]
            if job["state"] != "running":
                return job
            time.sleep(0.05)
        raise AssertionError("the work does not end")


@pytest.fixture(scope="session")
def card(tmp_path_factory):
    return shells(tmp_path_factory.mktemp("card"))


@pytest.fixture(scope="session")
def made(card, tmp_path_factory):
    """A finished shoot of the card; not to be changed."""
    target = tmp_path_factory.mktemp("made") / "shells"
    make(card, target)
    return target


@pytest.fixture
def shoot(made, tmp_path):
    return copytree(made, tmp_path / "shells")
