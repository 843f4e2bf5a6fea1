"""The server: the station's screen, the codes to print, the shift, and the log.

==================  =====================================================================
``/``               the screen; the first page operates the station, further ones watch
``/watch``          the same, which never operates it
``/events``         the states as server-sent events
``POST /scan``      what was scanned, with the key of the page that operates
``/codes``          the sheet of control codes
``/shift``          what the shift asks; ``/shift.csv``
``/runs`` …         the log, read only (:mod:`linecheck.web.log_pages`)
==================  =====================================================================
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import secrets
from collections.abc import AsyncIterator, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from starlette.applications import Starlette
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from linecheck.errors import LinecheckError
from linecheck.limits.model import LimitFile
from linecheck.line.codes import Code, Order, needs_end, printed_codes
from linecheck.station.config.station import Station
from linecheck.web.control import Control
from linecheck.web.guard import Guard
from linecheck.web.log_pages import log_routes
from linecheck.web.render import rendered
from linecheck.web.sheet import sheet
from linecheck.web.shift_pages import shift_figures, shift_routes
from linecheck.web.stations import Stations

#: Pages that may watch at once; more are told so.
MAX_WATCHERS: Final = 300
#: As much as a scanner sends at once, with room for a mistake; the station names what is wrong with it.
MAX_SCAN: Final = 12_000


class _Scanned(BaseModel):
    """What a page sends of a scan."""

    model_config = ConfigDict(strict=True, extra="forbid")

    key: str = Field(max_length=100)
    page: str = Field(max_length=100)
    text: str = Field(max_length=MAX_SCAN)


@dataclass(frozen=True)
class Line:
    """What the server shows: the stations by nest, and the model that they test."""

    stations: Mapping[str, Station]
    limits: LimitFile

    @property
    def first(self) -> Station:
        """The first station: its log is the one that is shown."""
        return next(iter(self.stations.values()))


def make_app(line: Line, running: Stations, hosts: frozenset[str], token: str | None = None) -> Guard:
    """Return the server's application.

    Parameters
    ----------
    line : Line
    running : Stations
        Started with the server, and ended with it.
    hosts : frozenset of str
        The names, with port, that the server answers to.
    token : str, optional
        What everybody must know, where others than this computer reach it.
    """
    screen = _Screen(line, running)
    routes = [
        Route("/", screen.page),
        Route("/watch", screen.page),
        Route("/events", screen.events),
        Route("/scan", screen.scan, methods=["POST"]),
        Route("/codes", screen.codes),
        *shift_routes(tuple(line.stations.values())),
        *log_routes(line.first, line.limits),
        Mount("/static", StaticFiles(packages=[("linecheck.web", "static")])),
    ]

    @contextlib.asynccontextmanager
    async def lifespan(app: Starlette) -> AsyncIterator[None]:
        running.start()
        keeping = asyncio.create_task(screen.count())
        try:
            yield
        finally:
            keeping.cancel()
            await asyncio.to_thread(running.close)

    return Guard(Starlette(routes=routes, lifespan=lifespan), hosts, token)


class _Screen:
    """The screen of the station, for the page that operates it and all that watch."""

    def __init__(self, line: Line, running: Stations) -> None:
        self._line = line
        self._running = running
        self._control = Control()
        self._watchers = 0
        self._figures: dict[str, Any] = {}
        self._due = asyncio.Event()
        running.on_state = lambda state: self._due.set()

    async def count(self) -> None:
        """Count what the shift has done whenever a station has told something; beside all else."""
        while True:
            await self._due.wait()
            self._due.clear()
            states = json.loads(self._running.snapshot())["nests"]
            shift = states[0].get("shift", "") if states else ""
            # The log may be locked for a moment: the figures of before stay.
            with contextlib.suppress(LinecheckError):
                self._figures = await asyncio.to_thread(
                    shift_figures, tuple(self._line.stations.values()), shift
                )
                self._running.wake()
            await asyncio.sleep(0.5)

    async def page(self, request: Request) -> Response:
        """Return the screen's page."""
        stations = self._line.stations
        names = dict.fromkeys(station.config.station for station in stations.values())
        codes = list(self._codes())
        return rendered(
            "station.html",
            nests=self._running.nests,
            model=self._line.limits.model,
            station=", ".join(names),
            needs_end=any(
                needs_end(self._line.limits, station.config, codes) for station in stations.values()
            ),
        )

    async def events(self, request: Request) -> Response:
        """Return the states as they come."""
        if self._watchers >= MAX_WATCHERS:
            return PlainTextResponse("too many pages watch this station\n", 503)
        return StreamingResponse(self._stream(request), media_type="text/event-stream")

    async def _stream(self, request: Request) -> AsyncIterator[str]:
        page = secrets.token_urlsafe(12)
        wants = request.query_params.get("operate") == "1"
        key = self._control.join(page, request.query_params.get("key", "")[:100]) if wants else None
        self._watchers += 1
        role, figures = None, None
        try:
            async for states in self._running.states():
                now = "operates" if key is not None and self._control.operates(page) else "watches"
                if now != role:
                    role = now
                    told = {"role": role, "page": page, "key": key if role == "operates" else None}
                    yield f"event: role\ndata: {json.dumps(told)}\n\n"
                yield f"data: {states}\n\n" if states else "event: beat\ndata: \n\n"
                if figures is not self._figures:
                    figures = self._figures
                    yield f"event: shift\ndata: {json.dumps(figures)}\n\n"
                if not states and wants and role == "watches":
                    key = self._control.join(page, "")
        finally:
            self._watchers -= 1
            self._control.leave(page)

    async def scan(self, request: Request) -> Response:
        """Take a scan from the page that operates the station."""
        try:
            scanned = _Scanned.model_validate_json(await request.body())
        except ValidationError:
            return _told("that is no scan: it is too long, or not as the page sends it", 422)
        except ClientDisconnect:
            return _told("that is too long", 413)
        if not self._control.allows(scanned.key, scanned.page):
            return _told(
                "another page operates this station: scan there, or close it and wait until this one takes over",
                409,
            )
        if not await asyncio.to_thread(self._running.scan, scanned.text):
            return _told("the station does not answer: wait until it is ready, then scan again", 503)
        return JSONResponse({"taken": True})

    async def codes(self, request: Request) -> Response:
        """Return the sheet of control codes."""
        entries = sheet(self._codes())
        station = self._line.first.config.station
        return rendered("codes.html", codes=entries, model=self._line.limits.model, station=station)

    def _codes(self) -> Iterator[Code]:
        """Return the codes that can be used here, with the names in them."""
        config, nests = self._line.first.config, self._running.nests
        names = [
            *(Code(Order.OPERATOR, name) for name in config.screen.operators),
            *(Code(Order.SHIFT, name) for name in config.screen.shifts),
            *(Code(Order.NEST, nest) for nest in nests if len(nests) > 1),
        ]
        return printed_codes(self._line.limits, config, names)


def _told(why: str, status: int) -> JSONResponse:
    return JSONResponse({"taken": False, "why": why}, status)
