"""Nobody but the page of this run gets in: other hosts, other origins, no key, other methods, long bodies."""

from http.client import HTTPConnection, HTTPException

import pytest

from nearpair.desk.guard import LARGEST_BODY

PATHS = ("/", "/state", "/page/desk.js", "/proof", "/events", "/out/parallel.jpg", "/map/x")


@pytest.mark.parametrize("path", PATHS)
def test_without_the_key_nothing_is_told(visitor, path):
    assert visitor.ask(path)[0] == 403


def test_a_wrong_key_opens_nothing(visitor):
    assert visitor.ask("/?token=guessed")[0] == 403
    visitor.cookie = f"nearpair-desk-{visitor.address.port}=guessed"
    assert visitor.ask("/state")[0] == 403


def test_the_key_opens_the_page_and_goes_from_the_address(visitor):
    status, headers, _ = visitor.ask(f"/?{visitor.address.query}")
    assert (status, headers["location"]) == (303, "/")
    assert "HttpOnly" in headers["set-cookie"]
    assert "SameSite=strict" in headers["set-cookie"]
    visitor.enter()
    assert visitor.ask("/")[0] == 200


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1", "localhost:1", "127.0.0.1.evil.example:80", ""]
)
def test_a_name_that_was_pointed_here_is_refused(visitor, host):
    # DNS rebinding: the browser believes it talks to that host
    assert visitor.enter().ask("/state", host=host)[0] == 421


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://127.0.0.1", "http://127.0.0.1:1"])
def test_another_origin_is_refused(visitor, origin):
    assert visitor.enter().ask("/stop", {}, origin=origin)[0] == 403


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_what_another_page_started_is_refused(visitor, site):
    assert visitor.enter().ask("/state", sec_fetch_site=site)[0] == 403


def test_a_form_cannot_be_sent_here(visitor):
    kind = "application/x-www-form-urlencoded"
    assert visitor.enter().ask("/stop", b"a=b", content_type=kind)[0] == 415


def test_a_body_that_is_too_long_is_refused_before_it_is_read(visitor):
    assert visitor.enter().ask("/decide", b" " * (LARGEST_BODY + 1))[0] == 413


def test_a_body_in_chunks_is_cut_off(visitor, shoot):
    visitor.enter()
    before = (shoot / "shoot.toml").read_bytes()
    connection = HTTPConnection("127.0.0.1", visitor.address.port, timeout=20)
    headers = {"cookie": visitor.cookie, "content-type": "application/json"}
    revision = visitor.json("/state")[1]["revision"].encode()
    # valid JSON, but for its length: blanks before the end
    chunks = [b'{"revision":"' + revision + b'","changes":{"method":"grey"}', *[b" " * 30_000] * 4, b"}"]
    try:
        connection.request("POST", "/decide", iter(chunks), headers, encode_chunked=True)
        assert connection.getresponse().status >= 400
    except (ConnectionError, HTTPException):
        pass  # cut off
    finally:
        connection.close()
    assert (shoot / "shoot.toml").read_bytes() == before


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "TRACE"])
def test_other_methods_do_nothing(visitor, method):
    assert visitor.enter().ask("/state", b"{}", method=method)[0] == 405


@pytest.mark.parametrize("path", ["/", "/state", "/page/desk.js"])
def test_the_page_may_load_nothing_from_elsewhere(visitor, path):
    policy = visitor.enter().ask(path)[1]["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert "http" not in policy


TRAVERSALS = (
    "/out/../shoot.toml",
    "/out/..%2fshoot.toml",
    "/out/%2e%2e/shoot.toml",
    "/out/%2e%2e%2fshoot.toml",
    "/out/..%5cshoot.toml",
    "/out/..%c0%afshoot.toml",
    "/out/....//shoot.toml",
    "/out//etc/passwd",
    "/out/%2fetc%2fpasswd",
    "/out/%00",
    "/page/../serve.py",
    "/page/%2e%2e%2fserve.py",
    "/page/desk.js%00.html",
)


@pytest.mark.parametrize("path", TRAVERSALS)
def test_no_path_leads_out(visitor, path):
    status, _, data = visitor.enter().ask(path)
    assert status in {400, 404}
    assert b"sources" not in data
    assert b"root:" not in data
