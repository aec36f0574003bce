"""Somebody at the desk, for tests."""

import json
from http.client import HTTPConnection
from urllib.parse import urlsplit

from nearpair.shoot.run import make


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


def finished(tmp_path_factory, card):
    """A finished shoot of a card; not to be changed."""
    target = tmp_path_factory.mktemp("made") / "shells"
    make(card, target)
    return target
