"""The server: its rooms, how it shows a page or a failure, and how it runs.

A room is a module with ``ROUTES`` and ``NAV``, its place and name in the row of links; add it to
``ROOMS``. A ``DrawdownError`` becomes a page by itself.
"""

from __future__ import annotations

import asyncio
import logging
import socket
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import Response
from starlette.routing import Mount
from starlette.staticfiles import StaticFiles
from uvicorn.protocols.http.h11_impl import H11Protocol

from calibration.errors import BadFile, DrawdownError, PhotoUnfit, WrongUsage, sentence
from drawdown.page import guide, judge, touch
from drawdown.page.batch import room as batch
from drawdown.page.book import room as book
from drawdown.page.book.access import NotThere
from drawdown.page.guard import Guard, TooLarge, TooSlow, closed, too_large, too_slow
from drawdown.page.looks import Looks, NoLook
from drawdown.page.rooms import House, page
from drawdown.page.studio import Busy, Studio
from drawdown.page.workers import Workers

ROOMS = (
    judge,
    touch,
    batch,
    book,
    guide,
)  # in the order of the links; a room without ``NAV`` has none
UPLOADS = ("/look", "/photo")  # ends of the paths that take photos
HEAD_S = 10.0  # for a request to begin, and for its head to arrive whole
MOST_CONNECTIONS = 240  # a browser opens six
_STATUS = {
    NoLook: 404,
    NotThere: 404,
    Busy: 429,
    WrongUsage: 400,
    PhotoUnfit: 422,
    BadFile: 422,
}


def _failed(request: Request, problem: Exception) -> Response:
    """A failure as a page: what was seen, why it matters, what to do."""
    assert isinstance(problem, DrawdownError)
    status = next((s for kind, s in _STATUS.items() if isinstance(problem, kind)), 500)
    said = [sentence(text) for text in (problem.seen, problem.why, problem.todo) if text]
    return page(request, "failed.html", status, said=said)


def _lost(request: Request, problem: Exception) -> Response:
    assert isinstance(problem, HTTPException)
    if problem.status_code == 404:
        return closed(404, "Not here", "There is no such page.")
    return closed(problem.status_code, "Not possible", "The page cannot do this.")


def application(studio: Studio, key: str, workers: Workers) -> Guard:
    """The whole page as an ASGI application; ``workers`` are closed when it ends."""

    @asynccontextmanager
    async def life(app: Starlette) -> AsyncIterator[None]:
        try:
            yield
        finally:
            workers.close()

    handlers: dict[Any, Callable[[Request, Exception], Response]] = {
        DrawdownError: _failed,
        HTTPException: _lost,
        TooLarge: lambda *_: too_large(),
        TooSlow: lambda *_: too_slow(),
        ClientDisconnect: lambda *_: Response(status_code=400),
    }
    static = StaticFiles(directory=Path(__file__).parent / "static")
    routes = [*(route for room in ROOMS for route in room.ROUTES), Mount("/static", static)]
    app = Starlette(routes=routes, exception_handlers=handlers, lifespan=life)
    links = tuple(room.NAV for room in ROOMS if hasattr(room, "NAV"))
    app.state.house = House(studio, Looks(studio), workers, links)
    return Guard(app, key, UPLOADS)


# Running ---------------------------------------------------------------------------------


class Connection(H11Protocol):
    """A connection that is closed where no whole head of a request comes in time: else who says
    nothing, or dribbles, would keep a place from others."""

    _waits_since = 0.0
    _look_again: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self._waits_since = self.loop.time()
        self._look()

    def connection_lost(self, exc: Exception | None) -> None:
        if self._look_again is not None:
            self._look_again.cancel()
        super().connection_lost(exc)

    def on_response_complete(self) -> None:
        self._waits_since = self.loop.time()
        super().on_response_complete()

    def _look(self) -> None:
        answering = self.cycle is not None and not self.cycle.response_complete
        waited_s = 0.0 if answering else self.loop.time() - self._waits_since
        if waited_s >= HEAD_S:
            self.transport.close()
        else:
            self._look_again = self.loop.call_later(max(HEAD_S - waited_s, 0.1), self._look)


def lan_address() -> str:
    """This machine's address in the network that phones are in. Raises ``BadFile``."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # RFC 5737: nothing is sent
            address = str(probe.getsockname()[0])
        except OSError:
            address = "127.0.0.1"
    if address.startswith("127."):
        raise BadFile(
            "this computer is in no network",
            "a phone could not reach the page",
            "join the network that the phone is in, then start again",
        )
    return address


def listen(address: str, port: int) -> socket.socket:
    """A socket that listens; port 0 is any free one. Raises ``WrongUsage`` and ``BadFile``."""
    if not 0 <= port <= 65535:
        raise WrongUsage(
            f"the port is given as {port}",
            "ports are numbered from 1 to 65535",
            "give `port` 8485, say, or leave it out",
        )
    heard = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    heard.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        heard.bind((address, port))
    except OSError as problem:
        heard.close()
        raise BadFile(
            f"port {port} of this computer cannot be used ({problem.strerror or problem})",
            "another program may be using it, perhaps a page that runs already",
            "stop that one, or give another `port`, such as 8485",
        ) from problem
    return heard


def run(studio: Studio, key: str, heard: socket.socket, ready: Callable[[], None]) -> None:
    """Serve until the program is stopped."""
    import tempfile

    import uvicorn

    tempfile.tempdir = str(studio.folder)  # what is coming in rests here, nowhere else
    logging.getLogger("python_multipart").setLevel(logging.CRITICAL)  # the answer says it
    workers = Workers(studio)
    config = uvicorn.Config(
        application(studio, key, workers), log_config=None, log_level="critical",
        access_log=False, limit_concurrency=MOST_CONNECTIONS, timeout_keep_alive=HEAD_S,
        http=Connection, ws="none", loop="asyncio", timeout_graceful_shutdown=2,
        server_header=False, date_header=False, proxy_headers=False,
    )  # fmt: skip
    ready()
    try:
        uvicorn.Server(config).run(sockets=[heard])
    finally:
        workers.close()
