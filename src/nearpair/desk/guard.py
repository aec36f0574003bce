"""Who may talk to the desk: the page that this run opened on this computer, and nobody else.

Any page in a browser can send requests to a local server. So every request must name this server as its host
(or a name could be pointed here: DNS rebinding), must not come from another origin, and must carry the
cookie that only the address printed at the start gives. (Fetch standard, "Origin"; RFC 6265 for cookies.)
"""

import hmac
from collections.abc import Awaitable, Callable
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

COOKIE = "nearpair-desk"
LARGEST_BODY = 64 << 10

_HEADERS = {
    "content-security-policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; "
        "connect-src 'self'; frame-src 'self'; frame-ancestors 'self'; base-uri 'none'; form-action 'none'"
    ),
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
}


class Guard:
    """Middleware (ASGI): lets through what the page of this run sends, answers the rest with a refusal."""

    def __init__(self, app: ASGIApp, port: int, token: str) -> None:
        self._app, self._token, self._port = app, token, port
        self._hosts = {f"127.0.0.1:{port}", f"localhost:{port}"}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            return
        refusal = self._answered(scope)
        if refusal is not None:
            await refusal(scope, receive, _with_headers(send))
            return
        await self._app(scope, _limited(receive), _with_headers(send))

    def _answered(self, scope: Scope) -> Response | None:
        headers = Headers(scope=scope)
        if headers.get("host", "") not in self._hosts:
            return PlainTextResponse("This desk answers on this computer only.", 421)
        if headers.get("origin", "") not in {"", *(f"http://{host}" for host in self._hosts)}:
            return PlainTextResponse("Other pages may not use this desk.", 403)
        if headers.get("sec-fetch-site", "none") not in {"none", "same-origin"}:
            return PlainTextResponse("Other pages may not use this desk.", 403)
        given = parse_qs(scope.get("query_string", b"").decode("latin-1")).get("token", [""])[0]
        if scope["path"] == "/" and scope["method"] == "GET" and _same(given, self._token):
            answer = RedirectResponse("/", 303)
            name = f"{COOKIE}-{self._port}"  # cookies do not tell ports apart
            answer.set_cookie(name, self._token, httponly=True, samesite="strict", path="/")
            return answer
        if not _same(_cookie(headers.get("cookie", ""), f"{COOKIE}-{self._port}"), self._token):
            return PlainTextResponse("Open the address that nearpair printed when it started.", 403)
        if scope["method"] not in {"GET", "HEAD"} and "application/json" not in headers.get(
            "content-type", ""
        ):
            return PlainTextResponse("Send JSON.", 415)
        length = headers.get("content-length", "0")
        if not (length.isascii() and length.isdigit()) or int(length) > LARGEST_BODY:
            return PlainTextResponse("Too much was sent.", 413)
        return None


def _same(given: str, token: str) -> bool:
    return hmac.compare_digest(given.encode(), token.encode())


def _cookie(header: str, name: str) -> str:
    try:
        found = SimpleCookie(header).get(name)
    except CookieError:
        return ""
    return "" if found is None else found.value


def _limited(receive: Receive) -> Callable[[], Awaitable[Message]]:
    """The request's body, cut off where it gets too large: a body sent in chunks names no length."""
    taken = 0

    async def wrapped() -> Message:
        nonlocal taken
        message = await receive()
        taken += len(message.get("body", b""))
        if taken > LARGEST_BODY:
            return {"type": "http.disconnect"}
        return message

    return wrapped


def _with_headers(send: Send) -> Send:
    async def wrapped(message: Message) -> None:
        if message["type"] == "http.response.start":
            present = {name.lower() for name, _ in message.get("headers", [])}
            extra = [(k.encode(), v.encode()) for k, v in _HEADERS.items() if k.encode() not in present]
            message = {**message, "headers": [*message.get("headers", []), *extra]}
        await send(message)

    return wrapped
