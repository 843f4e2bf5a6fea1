"""The stations behind the screen: one process each, the newest state of each, and whoever waits for it.

A process that ends is started anew, and says then what became of the run that was cut off.
"""

from __future__ import annotations

import asyncio
import itertools
import json
import multiprocessing
import threading
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import asdict, dataclass, field, replace
from multiprocessing.connection import Connection, wait
from multiprocessing.context import SpawnProcess
from typing import Any, Final

from linecheck.line.codes import PREFIX, Code, Order
from linecheck.line.nests import Choice, Seen, Unplaced
from linecheck.line.process import TAKEN_SECONDS, StationOrder, work
from linecheck.line.scan import DOUBLE_SCAN_SECONDS
from linecheck.line.states import NestState, State

#: How long a station has for the run that it records when the server ends.
LAST_RUN_SECONDS: Final = 20.0
#: A station that ends at once is not started more often than this.
RESTART_SECONDS: Final = 2.0
#: Where nothing happens a watcher hears so often that the server is there; without that, a page shows no verdict.
BEAT_SECONDS: Final = 1.0
_STOP, _RESUME = Code(Order.STOP).text, Code(Order.RESUME).text


@dataclass
class _Station:
    """One station: its process, the pipe to it, and what it said last, with when that was."""

    order: StationOrder
    nest: str
    state: dict[str, Any] = field(default_factory=dict)
    heard: float = 0.0
    #: Who is there, as its process said last: one that is started anew goes on with them.
    said: dict[str, str] = field(default_factory=dict)
    is_stopped: bool = False
    #: Whether its process has told a state: before, it takes no scan.
    is_ready: bool = False
    #: Scans that it has not taken yet, by number.
    giving: dict[int, threading.Event] = field(default_factory=dict)
    sending: threading.Lock = field(default_factory=threading.Lock)
    connection: Connection | None = None
    process: SpawnProcess | None = None

    def shown(self) -> dict[str, Any]:
        """Return the state as a page needs it now."""
        elapsed = self.state.get("elapsed_seconds")
        moved = None if elapsed is None else elapsed + time.monotonic() - self.heard
        return {**self.state, "elapsed_seconds": moved}

    def seen(self) -> Seen:
        """Return what says whether a scan may be for it."""
        told = self.state
        return Seen(
            told.get("state", ""),
            told.get("run_id", ""),
            told.get("serial", ""),
            wants_details=bool(told.get("wants_details")),
            wrong_keyboard=bool(told.get("wrong_keyboard")),
        )


class Stations:
    """All stations of a server.

    Parameters
    ----------
    orders : mapping of nest to StationOrder
    is_serial : callable
        Whether a text is a serial number of the model that they test; any could be one, if left out.
    """

    def __init__(
        self, orders: dict[str, StationOrder], is_serial: Callable[[str], bool] = lambda text: True
    ) -> None:
        self._stations = [_Station(order, nest) for nest, order in orders.items()]
        self._loop: asyncio.AbstractEventLoop | None = None
        self._changed = asyncio.Event()
        self._version = 0
        self._closing = self._ending = False
        self._choice = Choice(is_serial)
        #: What was scanned last, where it went to no nest.
        self._unplaced: Unplaced | None = None
        self._numbers = itertools.count()
        #: The last scan, when it came, and where it went.
        self._last: tuple[str, float, list[_Station]] = ("", 0.0, [])
        #: Called, in the server's loop, when a station has told a new state.
        self.on_state: Callable[[dict[str, Any]], None] = lambda state: None

    @property
    def nests(self) -> tuple[str, ...]:
        """Their names, in order."""
        return tuple(station.nest for station in self._stations)

    def start(self) -> None:
        """Start every station; called in the server's loop."""
        self._loop = asyncio.get_running_loop()
        for station in self._stations:
            station.state = _said(station.nest, State.STOPPED, "The station starts.", "Wait.")
            thread = threading.Thread(target=self._keep, args=(station,), name=station.nest, daemon=True)
            thread.start()

    def close(self) -> None:
        """End every station; a run under way is stopped and recorded."""
        self._closing = True
        for station in self._stations:
            station.is_ready = True
            self._send(station, {"close": True})
        for station in self._stations:
            if station.process is not None:
                station.process.join(LAST_RUN_SECONDS)
                if station.process.is_alive():
                    station.process.kill()

    def end_streams(self) -> None:
        """End all that wait for states: the server ends; from any thread."""
        self._ending = True
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self.wake)

    def snapshot(self) -> str:
        """Return all states as JSON."""
        choice, seen = self._choice, self._seen()
        nests = [
            {
                **station.shown(),
                "is_next": station.nest == choice.chosen,
                "act": choice.act(station.nest, seen, station.state.get("act", "")),
            }
            for station in self._stations
        ]
        unplaced = None if self._unplaced is None else asdict(self._unplaced)
        return json.dumps({"nests": nests, "unplaced": unplaced})

    async def states(self) -> AsyncIterator[str]:
        """Yield all states as JSON: now, whenever one changes, and an empty text where nothing happens for a while.

        Whoever is slow misses states and never the newest one.
        """
        seen = -1
        while not self._ending:
            if seen != self._version:
                seen = self._version
                yield self.snapshot()
                continue
            changed = self._changed
            try:
                await asyncio.wait_for(changed.wait(), BEAT_SECONDS)
            except TimeoutError:
                yield ""

    def scan(self, text: str) -> bool:
        """Give a scan to the nest that it is for; return whether that could be reached.

        A label that is read twice goes where it went before. One that goes to no nest is shown by all pages. A unit
        that goes to one nest is in no other: what stands there of it ends.
        """
        stations, label = self._placed(text), text.strip()
        if self._loop is not None:
            self._loop.call_soon_threadsafe(self.wake)
        for station in self._stations if stations else ():
            if station not in stations and station.state.get("serial") == label:
                self._send(station, {"elsewhere": label})
        for station in stations if label in (_STOP, _RESUME) else ():
            station.is_stopped = label == _STOP
        # Every one of them: a stop must reach the others though the first is dead.
        given = [self._give(station, text) for station in stations]
        return all(given)

    def _placed(self, text: str) -> list[_Station]:
        """Return the nests that a scan is for; none where it chooses one, or nobody knows which it is for."""
        before, when, stations = self._last
        if text.startswith(f"{PREFIX}{Order.NEST}"):
            before = ""
        self._unplaced = None if text != before else self._unplaced
        if text != before or time.monotonic() - when >= DOUBLE_SCAN_SECONDS:
            meant = self._choice.meant(text.strip(), self._seen())
            self._unplaced = meant if isinstance(meant, Unplaced) else None
            names = () if isinstance(meant, Unplaced) else meant
            stations = [station for station in self._stations if station.nest in names]
        is_choice = not stations and self._unplaced is None
        self._last = "" if is_choice else text, time.monotonic(), stations
        return stations

    def _seen(self) -> dict[str, Seen]:
        return {station.nest: station.seen() for station in self._stations}

    def _give(self, station: _Station, text: str) -> bool:
        """Give a scan to a station and wait until its process has it: one that has just died would lose it."""
        number, taken = next(self._numbers), threading.Event()
        station.giving[number] = taken
        try:
            given = {"scan": text, "number": number, "given": time.monotonic()}
            return self._send(station, given) and taken.wait(TAKEN_SECONDS)
        finally:
            del station.giving[number]

    def _send(self, station: _Station, message: dict[str, Any]) -> bool:
        try:
            if station.connection is None or not station.is_ready:
                return False
            with station.sending:
                station.connection.send_bytes(json.dumps(message).encode())
        except (OSError, ValueError):
            return False
        return True

    def _keep(self, station: _Station) -> None:
        """Run a station until the server ends, again and again."""
        context = multiprocessing.get_context("spawn")
        while not self._closing:
            began = time.monotonic()
            ours, theirs = context.Pipe()
            said = {**station.order.said, **station.said}
            order = replace(station.order, said=said, stopped=station.is_stopped)
            process = context.Process(target=work, args=(theirs, order), name=f"station {station.nest}")
            process.start()
            theirs.close()
            station.connection, station.process, station.is_ready = ours, process, False
            why = self._listen(station, ours, process)
            station.is_ready = False
            process.join(LAST_RUN_SECONDS)
            if self._closing:
                return
            self._tell(station, _said(station.nest, State.STOPPED, why, "Wait: it is started again."))
            time.sleep(max(0.0, RESTART_SECONDS - (time.monotonic() - began)))

    def _listen(self, station: _Station, connection: Connection, process: SpawnProcess) -> str:
        """Hear a station until it ends; return why it did."""
        why = "The station's program has ended."
        # The process too: what it has started may hold the pipe open.
        while connection in wait([connection, process.sentinel]):
            try:
                message = json.loads(connection.recv_bytes())
            except (EOFError, OSError, ValueError):
                return why
            if "took" in message:
                taken = station.giving.get(message["took"])
                if taken is not None:
                    taken.set()
            elif "state" in message:
                station.is_ready = True
                who = {name: message["state"].get(name, "") for name in ("operator", "shift")}
                station.said = {name: text for name, text in who.items() if text}
                self._tell(station, message["state"])
            else:
                why = str(message.get("ended", why))
        return why

    def _tell(self, station: _Station, state: dict[str, Any]) -> None:
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._heard, station, state)

    def wake(self) -> None:
        """Have all that wait look again: something else than a state has changed; called in the server's loop."""
        self._version += 1
        changed, self._changed = self._changed, asyncio.Event()
        changed.set()

    def _heard(self, station: _Station, state: dict[str, Any]) -> None:
        station.state, station.heard = {**state, "nest": station.nest}, time.monotonic()
        self._choice.hear(station.nest, station.seen())
        self.wake()
        self.on_state(station.state)


def _said(nest: str, state: State, says: str, act: str) -> dict[str, Any]:
    """Return a state that the server itself says of a station that says nothing."""
    told = asdict(NestState(nest, state, says=says, act=act))
    del told["began"]
    return told | {"elapsed_seconds": None}
