"""Whatever is sent to the desk, from its own schemas or nowhere: an answer that it meant, nothing lost.

Requests are put together by hypothesis and given to the application as a server would (ASGI 3.0); what only
shows on the wire is sent over it.
"""

import asyncio
import itertools
import socket
import threading
from concurrent.futures import ThreadPoolExecutor

import msgspec
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from nearpair.desk.app import app_for
from nearpair.desk.guard import COOKIE, LARGEST_BODY, Guard
from nearpair.desk.jobs import Status
from nearpair.desk.session import Session
from nearpair.desk.state import Decide, Publish, Run
from nearpair.errors import ShootError
from nearpair.shoot.decisions import load
from nearpair.shoot.run import make
from support.tiny import contents

PORT, KEY = 4321, "the-key-of-this-run"
MANY = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])

anything = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**70), 2**70) | st.floats() | st.text(max_size=12),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4),
    max_leaves=12,
)


def valued(schema, defs):
    """Values that a JSON Schema, as msgspec writes it, allows."""
    if "$ref" in schema:
        return valued(defs[schema["$ref"].rpartition("/")[2]], defs)
    if "anyOf" in schema:
        return st.one_of([valued(each, defs) for each in schema["anyOf"]])
    if "enum" in schema:
        return st.sampled_from(schema["enum"])
    kind = schema.get("type")
    if kind == "object":
        needed = schema.get("required", [])
        fields = {name: valued(each, defs) for name, each in schema.get("properties", {}).items()}
        may = {name: each for name, each in fields.items() if name not in needed}
        return st.fixed_dictionaries({name: fields[name] for name in needed}, optional=may)
    if kind == "array":
        if "prefixItems" in schema:
            return st.tuples(*(valued(each, defs) for each in schema["prefixItems"]))
        return st.lists(valued(schema.get("items") or {}, defs), max_size=4)
    known = ["auto", "near", "red-cyan", "grey", "left", "right", "4:3", "proof", "anaglyph", "never", "../x"]
    return {
        "string": st.sampled_from(known) | st.text(max_size=12),
        "number": st.floats(0.5, 2) | st.integers(-3, 900) | st.floats(),
        "integer": st.integers(),
        "boolean": st.booleans(),
        "null": st.none(),
    }.get(kind, anything)


def bodies(kind):
    """Bodies that hold to the schema of `kind`, JSON that need not, and bytes."""
    schema = msgspec.json.schema(kind)
    fit = valued(schema, schema.get("$defs", {}))
    return (fit | anything).map(encoded) | st.binary(max_size=60)


def encoded(value):
    try:
        return msgspec.json.encode(value)
    except UnicodeEncodeError:  # half a surrogate pair is no text that JSON could carry
        return b'"\xed\xa0\x80"'


class Wire:
    """What a server hands to the application and gets back from it."""

    def __init__(self, session):
        self.session = session
        self.app = Guard(app_for(session), PORT, KEY)

    def ask(self, method, path, body=b"", **headers):
        """Status and content; `path` as it is after decoding."""
        given = {"host": f"127.0.0.1:{PORT}", "cookie": f"{COOKIE}-{PORT}={KEY}", **headers}
        if method != "GET":
            given = {"content-type": "application/json", "content-length": str(len(body)), **given}
        head, query = (part.encode("utf-8", "surrogateescape") for part in (path, ""))
        scope = {
            "type": "http", "asgi": {"version": "3.0"}, "http_version": "1.1", "method": method,
            "scheme": "http", "path": path, "raw_path": head, "query_string": query, "root_path": "",
            "headers": [(k.replace("_", "-").encode(), v.encode("latin-1")) for k, v in given.items()],
            "client": ("127.0.0.1", 5), "server": ("127.0.0.1", PORT),
        }  # fmt: skip
        sent, out = [{"type": "http.request", "body": body, "more_body": False}], []

        async def receive():
            return sent.pop() if sent else {"type": "http.disconnect"}

        async def send(message):
            out.append(message)

        # in a thread of its own: tests in a browser leave a loop running in this one
        with ThreadPoolExecutor(1) as beside:
            beside.submit(asyncio.run, self.app(scope, receive, send)).result()
        return out[0]["status"], b"".join(message.get("body", b"") for message in out[1:])


@pytest.fixture
def wire(shoot):
    session = Session(shoot)
    session.jobs.start = lambda name, work: Status(name=name)  # what is asked for is what is tried here
    return Wire(session)


@MANY
@given(bodies(Decide), st.booleans())
def test_decisions_of_any_kind(wire, body, current):
    """What is refused changes nothing; what is taken can be read again."""
    toml = wire.session.folder.toml
    if current:
        state = msgspec.json.decode(wire.ask("GET", "/state")[1])
        try:
            asked = msgspec.json.decode(body)
        except (msgspec.DecodeError, UnicodeDecodeError):
            asked = None
        if isinstance(asked, dict):
            body = msgspec.json.encode({**asked, "revision": state["revision"]})
    before = toml.read_bytes()
    status, _ = wire.ask("POST", "/decide", body)
    assert status in {200, 409, 422}
    load(toml)
    if status != 200:
        assert toml.read_bytes() == before


@MANY
@given(st.sampled_from(["/run", "/publish", "/sort", "/stop"]).flatmap(
    lambda path: st.tuples(st.just(path), bodies({"/run": Run}.get(path, Publish)))
))  # fmt: skip
def test_work_of_any_kind(wire, asked):
    assert wire.ask("POST", *asked)[0] in {200, 409, 422}


PIECES = st.sampled_from(
    ["..", ".", "", "out", "page", "frame", "map", "picture", "proof", "state", "left", "0-0.png", "0", "\0",
     "-1", "9" * 30, "shoot.toml", "..\\", "C:", "~", "etc", "passwd", "desk.js", "\uff0e\uff0e", "%2e%2e"]
) | st.text(st.characters(exclude_categories=["Cs"]), max_size=8)  # fmt: skip


@MANY
@given(st.lists(PIECES, max_size=7), st.sampled_from(["GET", "HEAD", "POST", "PUT", "OPTIONS", "BREW"]))
def test_any_path(wire, pieces, method):
    status, content = wire.ask(method, "/" + "/".join(pieces))
    assert status in {200, 303, 307, 400, 404, 405, 409, 422}
    assert b"[mounting]" not in content
    assert b"root:" not in content


@MANY
@given(
    st.fixed_dictionaries(
        {},
        optional={
            name: st.text(st.characters(max_codepoint=255, exclude_characters="\r\n"), max_size=40)
            for name in ("host", "origin", "cookie", "sec_fetch_site", "content_type", "content_length")
        },
    )
)
def test_any_headers(wire, headers):
    status, _ = wire.ask("POST", "/stop", b"{}", **headers)
    assert status in {200, 403, 413, 415, 421, 422}
    if headers.keys() & {"host", "cookie"}:
        assert status != 200
    if headers.get("origin") or headers.get("sec_fetch_site", "none") not in {"none", "same-origin"}:
        assert status != 200


# over the wire

DOTS = ("..", "%2e%2e", "%2E.", ".%2e", "%252e%252e", "%c0%ae%c0%ae", "%ef%bc%8e%ef%bc%8e", "..%00", "..;")
SLASHES = ("/", "%2f", "%5c", "\\", "%252f", "%c0%af", "%ef%bc%8f", "//")
ROOTS = ("/out/", "/page/", "/frame/", "/map/", "/out/forms/")


def test_no_path_leads_out_in_any_encoding(visitor):
    visitor.enter()
    tried = list(itertools.product(ROOTS, DOTS, SLASHES, ("shoot.toml", "serve.py")))
    for root, dots, slash, name in tried:
        path = root + (dots + slash) * 2 + name
        status, _, data = visitor.ask(path)
        assert status in {307, 400, 404}, path
        assert b"sources" not in data
        assert b"import" not in data
    assert len(tried) == 720


def test_slow_visitors_keep_nobody_waiting(visitor):
    """Half a request, and then nothing more: of the head, or of a body that was announced."""
    visitor.enter()
    key = f"Host: 127.0.0.1:{visitor.address.port}\r\nCookie: {visitor.cookie}\r\n"
    body = f"POST /decide HTTP/1.1\r\n{key}Content-Type: application/json\r\nContent-Length: 900\r\n\r\n{{"
    slow = [socket.create_connection(("127.0.0.1", visitor.address.port)) for _ in range(40)]
    try:
        for number, connection in enumerate(slow):
            connection.sendall(body.encode() if number % 2 else b"GET /state HTTP/1.1\r\nHost:")
        assert visitor.ask("/state")[0] == 200
    finally:
        for connection in slow:
            connection.close()
    assert visitor.ask("/state")[0] == 200


@pytest.mark.parametrize("part", ["path", "head", "body"])
def test_too_much_of_anything_is_cut_off(visitor, part):
    visitor.enter()
    much = "a" * (300_000 if part != "body" else LARGEST_BODY * 4)
    try:
        if part == "path":
            status = visitor.ask("/" + much)[0]
        elif part == "head":
            status = visitor.ask("/state", x_much=much)[0]
        else:
            status = visitor.ask("/decide", much.encode())[0]
        assert 400 <= status < 500
    except ConnectionError:
        pass  # cut off
    assert visitor.ask("/state")[0] == 200


def test_reloads_during_a_run(visitor, session, shoot, made):
    """The page is opened again and again while work runs, and its news are dropped: nothing is disturbed."""
    for name in ("proof.json", "proof.html", "proof.pdf", "pair/left.tif"):
        (shoot / name).unlink()
    visitor.enter()
    key = f"Host: 127.0.0.1:{visitor.address.port}\r\nCookie: {visitor.cookie}\r\n\r\n"
    assert visitor.json("/run", {"until": "proof"})[0] == 200
    seen = set()
    while True:
        assert visitor.ask("/")[0] == 200
        with socket.create_connection(("127.0.0.1", visitor.address.port)) as news:
            news.sendall(f"GET /events HTTP/1.1\r\n{key}".encode())
        status, state = visitor.json("/state")
        assert status == 200
        seen.add(state["job"]["state"])
        if state["job"]["state"] != "running":
            break
    assert seen == {"running", "done"}
    session.jobs.wait(60)
    assert contents(shoot) == contents(made)


def test_a_run_at_the_command_line_while_the_desk_works(visitor, session, shoot, made, card):
    """One of the two is refused, and the other is not disturbed."""
    (shoot / "pair" / "left.tif").unlink()
    refused, begun = [], threading.Event()
    start = session.jobs.start

    def started(name, work):
        def reported(progress):
            def told(*said):
                progress(*said)
                if not begun.is_set():
                    begun.set()
                    with pytest.raises(ShootError, match="another run") as error:
                        make(card, shoot)
                    refused.append(error.value.remedy)

            return work(told)

        return start(name, reported)

    session.jobs.start = started
    visitor.enter()
    assert visitor.json("/run", {"until": "proof"})[0] == 200
    assert session.jobs.wait(60).state == "done"
    assert len(refused) == 1
    assert refused[0].startswith("Wait until it is done")
    assert contents(shoot) == contents(made)
