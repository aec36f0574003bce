"""The desk's addresses: the page, what it is told, what it may decide, and pictures."""

import asyncio
from collections.abc import AsyncIterator
from importlib.resources import files
from mimetypes import guess_type
from typing import Any, TypeVar

import msgspec
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, Response, StreamingResponse
from starlette.routing import Route

from nearpair.desk.jobs import BusyError
from nearpair.desk.session import Session
from nearpair.desk.state import Decide, Measured, Move, Publish, Run, Try, state_of
from nearpair.desk.tiles import png
from nearpair.errors import NearpairError
from nearpair.outputs.glasses_page import glasses_page
from nearpair.shoot.again import outputs
from nearpair.shoot.deciding import ChangedMeanwhileError, Overrides
from nearpair.shoot.preview import Plane
from nearpair.shoot.run import STAGES

_PROOF_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox"
_MEASURING_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; img-src data:; "
    "sandbox allow-scripts allow-downloads"
)
_FRAME_PX = 320
_EVENT_SECONDS = 0.15
_QUIET_SECONDS = 10.0

_PAGE = files("nearpair.desk").joinpath("page")

T = TypeVar("T")


def app_for(session: Session) -> Starlette:
    """The desk's web application, to be put behind `guard.Guard`."""
    desk = _Desk(session)
    return Starlette(
        routes=[
            Route("/", desk.page),
            Route("/page/{name}", desk.page_file),
            Route("/state", desk.state),
            Route("/events", desk.events),
            Route("/decide", desk.decide, methods=["POST"]),
            Route("/run", desk.run, methods=["POST"]),
            Route("/publish", desk.publish, methods=["POST"]),
            Route("/again", desk.again, methods=["POST"]),
            Route("/shot/{name:path}", desk.shot),
            Route("/move", desk.move, methods=["POST"]),
            Route("/sort", desk.sort, methods=["POST"]),
            Route("/stop", desk.stop, methods=["POST"]),
            Route("/picture/{key}/{what}/{level:int}/{column:int}-{row:int}.png", desk.tile),
            Route("/map/{key}", desk.map),
            Route("/pairs/{number:int}.png", desk.pair_picture),
            Route("/map/{key}/focus", desk.focus_map),
            Route("/behind/{key}/{eye}/{x:float}/{y:float}", desk.behind),
            Route("/behind/{key}/{eye}/{number:int}/{x:int}-{y:int}.png", desk.behind_crop),
            Route("/behind/{key}/tried", desk.tried, methods=["POST"]),
            Route("/glasses", desk.glasses, methods=["POST"]),
            Route("/glasses.html", desk.glasses_page),
            Route("/out/{name:path}", desk.out),
            Route("/proof", desk.proof),
        ],
        exception_handlers={NearpairError: _told, HTTPException: _refused},
    )


class _Desk:
    def __init__(self, session: Session) -> None:
        self._session = session

    async def page(self, request: Request) -> Response:
        del request
        return _from_page("index.html")

    async def page_file(self, request: Request) -> Response:
        name = request.path_params["name"]
        if name not in {file.name for file in _PAGE.iterdir()}:
            raise HTTPException(404)
        return _from_page(name)

    async def state(self, request: Request) -> Response:
        del request
        return _json(await run_in_threadpool(state_of, self._session))

    async def events(self, request: Request) -> Response:
        """Where the work is, and when shoot.toml changes (Server-Sent Events, HTML standard 9.2)."""
        return StreamingResponse(self._happening(request), media_type="text/event-stream")

    async def _happening(self, request: Request) -> AsyncIterator[bytes]:
        last: Any = None
        quiet = 0.0
        while not (self._session.closing() or await request.is_disconnected()):
            told = (self._session.jobs.status(), self._changed())
            if told != last or quiet > _QUIET_SECONDS:
                yield b"data: " + msgspec.json.encode({"job": told[0], "changed": told[1]}) + b"\n\n"
                last, quiet = told, 0.0
            await asyncio.sleep(_EVENT_SECONDS)
            quiet += _EVENT_SECONDS

    def _changed(self) -> int:
        folder = self._session.folder
        try:
            return 0 if folder is None else folder.toml.stat().st_mtime_ns // 1000
        except OSError:
            return 0

    async def decide(self, request: Request) -> Response:
        asked = await _body(request, Decide)
        given = {k: v for k, v in msgspec.to_builtins(asked.changes).items() if v is not None}
        await run_in_threadpool(self._session.decide, Overrides(**given), asked.revision)
        return await self.state(request)

    async def run(self, request: Request) -> Response:
        asked = await _body(request, Run)
        if asked.until not in STAGES:
            raise HTTPException(422, f"until: expected one of {', '.join(STAGES)}")
        return _json(self._session.start(asked.until, Overrides(left=asked.left, right=asked.right)))

    async def publish(self, request: Request) -> Response:
        asked = await _body(request, Publish)
        return _json(self._session.start_publishing(asked.forms))

    async def again(self, request: Request) -> Response:
        """Make what is older than the picture again."""
        del request
        return _json(self._session.start_again())

    async def move(self, request: Request) -> Response:
        """Frames of the card to other stations, or set aside; all back where they were found for None."""
        asked = await _body(request, Move)
        if asked.moves is None:
            self._session.moved = {}
        return _json(self._session.start_sorting(asked.moves))

    async def shot(self, request: Request) -> Response:
        """A frame of the card, small."""
        small = await run_in_threadpool(self._session.shot, request.path_params["name"], _FRAME_PX)
        if small is None:
            raise HTTPException(404)
        return Response(png(small), media_type="image/png", headers=_FRESH)

    async def sort(self, request: Request) -> Response:
        del request
        return _json(self._session.start_sorting())

    async def stop(self, request: Request) -> Response:
        del request
        self._session.jobs.stop()
        return _json(self._session.jobs.status())

    async def tile(self, request: Request) -> Response:
        """A piece of a picture: of an eye, an anaglyph, or a map in colours."""
        asked = request.path_params
        where = (asked["level"], asked["column"], asked["row"])
        piece = await run_in_threadpool(self._session.pictures.piece, asked["key"], asked["what"], *where)
        if piece is None:
            raise HTTPException(404)
        return Response(piece, media_type="image/png", headers=_KEPT)

    async def map(self, request: Request) -> Response:
        """Parallax of the crop (float32, little-endian, row by row), NaN where unknown."""
        return _values(await run_in_threadpool(self._session.pictures.map_of, request.path_params["key"]))

    async def focus_map(self, request: Request) -> Response:
        """The sharpest frame, from 0, of each place of the same grid."""
        return _values(await run_in_threadpool(self._session.pictures.focus_map, request.path_params["key"]))

    async def pair_picture(self, request: Request) -> Response:
        """One of the pairs that the stations can make, small, for the glasses."""
        picture = await run_in_threadpool(self._session.pair_picture, request.path_params["number"])
        if picture is None:
            raise HTTPException(404)
        return Response(png(picture), media_type="image/png", headers=_KEPT)

    async def behind(self, request: Request) -> Response:
        """Which frames a place of the pair shows."""
        found = await run_in_threadpool(self._session.behind.told, **request.path_params)
        if found is None:
            raise HTTPException(404, "This pair is not there any longer.")
        return _json(found)

    async def behind_crop(self, request: Request) -> Response:
        """What a frame shows around a place of a view."""
        shown = await run_in_threadpool(self._session.behind.crop, **request.path_params)
        if shown is None:
            raise HTTPException(404)
        return Response(shown, media_type="image/png", headers=_KEPT)

    async def tried(self, request: Request) -> Response:
        """What retouches would show, before they are made."""
        asked, key = await _body(request, Try), request.path_params["key"]
        found = await run_in_threadpool(self._session.behind.tried, key, asked.retouches, asked.where)
        if found is None:
            raise HTTPException(404, "This pair is not there any longer.")
        return _json(found)

    async def glasses(self, request: Request) -> Response:
        """Keep a calibration file of somebody's own glasses; nothing is decided yet."""
        asked = await _body(request, Measured)
        return _json({"glasses": await run_in_threadpool(self._session.keep_glasses, asked.name, asked.text)})

    async def glasses_page(self, request: Request) -> Response:
        """The page on which glasses are measured: it asks for nothing, and what it saves goes to a file."""
        del request
        policy = {"content-security-policy": _MEASURING_POLICY, **_FRESH}
        return Response(glasses_page(), media_type="text/html", headers=policy)

    async def out(self, request: Request) -> Response:
        folder, name = self._session.folder, request.path_params["name"]
        if folder is None or name not in outputs(folder):  # only what is listed: no path leads elsewhere
            raise HTTPException(404)
        kind = guess_type(name)[0] or "application/octet-stream"
        return FileResponse(folder.out(name), media_type=kind, headers=_FRESH, filename=name.split("/")[-1])

    async def proof(self, request: Request) -> Response:
        del request
        folder = self._session.folder
        if folder is None or not folder.proof_html.is_file():
            raise HTTPException(404, "There is no proof yet.")
        policy = {"content-security-policy": _PROOF_POLICY, **_FRESH}
        return FileResponse(folder.proof_html, media_type="text/html", headers=policy)


_KEPT = {"cache-control": "private, max-age=3600"}
_FRESH = {"cache-control": "no-store"}


def _from_page(name: str) -> Response:
    kind = {"html": "text/html", "css": "text/css", "js": "text/javascript"}[name.rpartition(".")[2]]
    return Response(_PAGE.joinpath(name).read_bytes(), media_type=kind, headers=_FRESH)


def _values(values: Plane | None) -> Response:
    if values is None:
        raise HTTPException(404, "This pair is not there any longer.")
    return Response(values.astype("<f4").tobytes(), media_type="application/octet-stream", headers=_KEPT)


def _json(value: Any, status: int = 200) -> Response:
    return Response(msgspec.json.encode(value), status, _FRESH, media_type="application/json")


async def _told(request: Request, error: Exception) -> Response:
    del request
    status = 409 if isinstance(error, BusyError | ChangedMeanwhileError) else 422
    remedy = getattr(error, "remedy", "")
    return _json({"message": getattr(error, "message", str(error)), "remedy": remedy}, status)


async def _refused(request: Request, error: Exception) -> Response:
    del request
    status = error.status_code if isinstance(error, HTTPException) else 500
    detail = error.detail if isinstance(error, HTTPException) else ""
    return _json({"message": detail, "remedy": ""}, status)


async def _body(request: Request, kind: type[T]) -> T:
    try:
        return msgspec.json.decode(await request.body(), type=kind)
    except ClientDisconnect as error:  # the guard cut it off
        raise HTTPException(413, "Too much was sent.") from error
    except msgspec.DecodeError as error:
        raise HTTPException(422, str(error)) from error
