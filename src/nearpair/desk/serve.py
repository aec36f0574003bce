"""Serving the desk on this computer only."""

import secrets
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import uvicorn

from nearpair.desk.app import app_for
from nearpair.desk.guard import Guard
from nearpair.desk.session import Session
from nearpair.errors import NearpairError

LOOPBACK = "127.0.0.1"


def _listening(port: int) -> socket.socket:
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listener.bind((LOOPBACK, port))
        listener.listen(128)  # so that nobody who comes at once is turned away
    except OSError as error:
        listener.close()
        message = f"The desk cannot listen on port {port} of this computer ({error.strerror})."
        raise NearpairError(message, "Choose another one with --port, or leave it out.") from error
    return listener


def _server(session: Session, listener: socket.socket) -> tuple[uvicorn.Server, str]:
    port = listener.getsockname()[1]
    token = secrets.token_urlsafe(24)
    config = uvicorn.Config(
        Guard(app_for(session), port, token),
        log_level="critical",
        access_log=False,
        lifespan="off",
        server_header=False,
        timeout_graceful_shutdown=1,
    )
    server = uvicorn.Server(config)
    session.closing = lambda: server.should_exit
    return server, f"http://{LOOPBACK}:{port}/?token={token}"


def serve(
    session: Session, port: int, told: Callable[[str], None], show: Callable[[str], object] | None = None
) -> None:
    """Serve until Ctrl-C; `told` gets the address, `show` too once pages are answered.

    Raises NearpairError if the port is taken.
    """
    listener = _listening(port)
    server, address = _server(session, listener)
    told(address)
    if show is not None:
        threading.Timer(0.5, show, [address]).start()
    try:
        server.run(sockets=[listener])
    finally:
        session.jobs.stop()
        session.jobs.wait()
        listener.close()


@contextmanager
def serving(session: Session) -> Iterator[str]:
    """Serve in a thread meanwhile, on any free port; gives the address."""
    listener = _listening(0)
    server, address = _server(session, listener)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    try:
        yield address
    finally:
        server.should_exit = True
        thread.join(10)
        session.jobs.stop()
        session.jobs.wait(60)
        listener.close()
