"""A station in a process of its own, which takes scans and gives states over a pipe.

Whoever shows the states (a server of pages, with many watchers) then never takes the time of the threads that feed the
converters, and its end is no end of a run: a pipe that breaks stops the run, which is recorded.

=======================  =====================================================================
:class:`StationOrder`    what a station is told when it begins
:func:`work`             what its process does
=======================  =====================================================================

Messages are JSON. To the station: ``{"scan": TEXT, "number": N, "given": TIME}`` by the monotonic clock,
``{"elsewhere": SERIAL}`` where a unit is scanned for another nest, and ``{"close": true}`` where it is to end. From it:
``{"state": {…}}`` whenever that changes, ``{"took": N}`` of each scan, and ``{"ended": WHY}`` where it cannot go on.
"""

from __future__ import annotations

import json
import logging
import queue
import signal
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any, Final

from linecheck.errors import LinecheckError
from linecheck.files.text import visible
from linecheck.line.codes import PREFIX, Code, Order, chosen
from linecheck.line.events import (
    Asked,
    Event,
    Ordered,
    ScanIgnored,
    SelfCheckEnded,
    UnitRemoved,
    VerdictKnown,
)
from linecheck.line.hand_over import handing_over
from linecheck.line.nest_switch import ASKED_SECONDS
from linecheck.line.scan import DOUBLE_SCAN_SECONDS, Desk, Scan
from linecheck.line.sending import sending
from linecheck.line.session import opened_session
from linecheck.line.states import SELF_CHECK, UNDER_TEST, VERDICTS, NestState, after
from linecheck.line.tone import VerdictTone
from linecheck.line.unit_trace import UnitFacts
from linecheck.run.model import Run
from linecheck.station.config.load import load_station
from linecheck.station.events import RunStarted

_log = logging.getLogger(__name__)
_log.addHandler(logging.NullHandler())

#: Gates lapse while nobody scans: so often a station that waits looks where it stands.
STAND_BY_SECONDS: Final = 10.0
#: How long a station may take to say that it has a scan: it does so at once, whatever it is at.
TAKEN_SECONDS: Final = 1.0
#: Longer ones are cut: no label has as much.
MAX_SCAN: Final = 4096
_DONE, _CANNOT, _STOP = Code(Order.DONE).text, Code(Order.CANNOT).text, Code(Order.STOP).text


@dataclass(frozen=True)
class StationOrder:
    """What a station is told when it begins: its files, and what the options of ``run`` say."""

    station_path: str
    limits_path: str
    out: str | None = None
    strict: bool = False
    keep_captures: bool = False
    faults: tuple[str, ...] = ()
    said: Mapping[str, str] = field(default_factory=dict)
    study: str | None = None
    #: Whether it begins as one that was stopped.
    stopped: bool = False


def work(connection: Connection, order: StationOrder) -> None:
    """Be a station until the pipe breaks."""
    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            # A run hears of them; between two runs only the pipe ends the station. Not SIG_IGN: that a run would keep.
            signal.signal(getattr(signal, name), lambda number, frame: None)
    link = _Link(connection)
    try:
        _work(link, order)
    except LinecheckError as error:
        link.send({"ended": str(error)})
    except Exception as error:
        _log.exception("the station ended")
        link.send({"ended": f"{type(error).__name__}: {error}"})


def _work(link: _Link, order: StationOrder) -> None:
    station = load_station(order.station_path)
    config = station.config
    link.screen = screen = _Screen(link, config.nest or config.station, strict=order.strict)
    tone = VerdictTone(config.screen)

    def listener(event: Event) -> None:
        screen(event)
        tone(event)

    with (
        opened_session(
            station,
            order.limits_path,
            out=None if order.out is None else Path(order.out),
            faults=order.faults,
            strict=order.strict,
            keep_captures=order.keep_captures,
            people=_People(link),
            listener=listener,
            study=order.study,
        ) as session,
        sending(config, listener, one_unit=False) as tell_of_sending,
        handing_over(session.log, config, listener, one_unit=False) as beside,
    ):
        screen.lasted = session.expected_seconds()
        desk = Desk(session, UnitFacts(order.said))
        desk.tell_aborted()
        if order.stopped:
            desk.stop()
        desk.look_at_nest(has_verdict=False)
        desk.stand_by()
        present = config.screen.unit_present
        while not link.broken:
            # Nobody puts a unit into the nest for a self-check: its result stays.
            watched = present is not None and screen.state.serial not in ("", SELF_CHECK)
            scan = link.next_scan(ASKED_SECONDS if watched or desk.waits else STAND_BY_SECONDS)
            if scan is not None:
                desk.take(scan)
            else:
                desk.look_at_nest(has_verdict=watched and screen.state.state in VERDICTS)
            tell_of_sending()
            if beside is not None:
                beside.look()
                for told in beside.said():
                    listener(told)
            desk.stand_by()


class _Screen:
    """A listener that keeps the state of the nest, and sends it where it has changed."""

    def __init__(self, link: _Link, nest: str, *, strict: bool) -> None:
        self._link = link
        self._strict = strict
        self._lock = threading.Lock()
        #: How long the last whole run took, s.
        self.lasted: float | None = None
        self.state = NestState(nest)

    def __call__(self, event: Event) -> None:
        with self._lock:
            before = self.state
            self.state = after(before, event, strict=self._strict, expected_seconds=self.lasted)
            if isinstance(event, VerdictKnown) and _is_whole(event.run):
                self.lasted = event.run.duration_seconds
            if self.state.state in UNDER_TEST or isinstance(event, SelfCheckEnded):
                self._link.has_state()
            if isinstance(event, RunStarted):
                self._link.heed_stop()
            if self.state != before:
                self._link.send({"state": _plain(self.state)})


def _is_whole(run: Run) -> bool:
    return not run.aborted and not run.missing


def _plain(state: NestState) -> dict[str, Any]:
    """Return a state as plain data; how long it has gone on in place of when it began, which is this computer's."""
    told = asdict(state)
    began = told.pop("began")
    told["reminders"] = state.bands
    return told | {"elapsed_seconds": None if began is None else time.monotonic() - began}


class _Link:
    """The pipe: a thread takes each scan when it comes, so that it is judged by what goes on then."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._sending = threading.Lock()
        self._scans: queue.Queue[Scan | None] = queue.Queue()
        #: What answered no question: the next scan after all.
        self._put_back: Scan | None = None
        #: Whether the code to stop has come and the station has not taken it yet.
        self._stops = False
        self._waiting = False
        #: Whether a scan that begins a test was passed on and no state tells of it yet: what comes then is not the
        #: next unit.
        self._passed_on = False
        self._last: Scan | None = None
        self._lock = threading.Lock()
        self.broken = False
        self.screen: _Screen | None = None
        threading.Thread(target=self._read, name="scans", daemon=True).start()

    def send(self, message: Mapping[str, Any]) -> None:
        """Send a message; nothing of a run depends on whether it arrives."""
        with self._sending:
            try:
                self._connection.send_bytes(json.dumps(message).encode())
            except (OSError, ValueError):
                self.broken = True

    def next_scan(self, seconds: float | None = None) -> Scan | None:
        """Wait for a scan; None where the time is up or the pipe is broken."""
        back, self._put_back = self._put_back, None
        if back is not None:
            return back
        with self._lock:
            # One that came as the time was up is taken first.
            self._waiting = self._scans.empty()
            self._passed_on = self._passed_on and not self._waiting
        try:
            scan = self._scans.get(timeout=seconds)
        except queue.Empty:
            return None
        finally:
            with self._lock:
                self._waiting = False
        if scan is not None and scan.text == _STOP:
            self._stops = False
        return scan

    def put_back(self, scan: Scan) -> None:
        """Give a scan back that was read for something else: it is the next one again."""
        self._put_back = scan

    def heed_stop(self) -> None:
        """End a run that begins after the code to stop was scanned."""
        if self._stops:
            self._interrupt()

    def _read(self) -> None:
        while not self.broken:
            try:
                message = json.loads(self._connection.recv_bytes())
                if message.get("close"):
                    self.broken = True
                    break
                if "elsewhere" in message:
                    if self.screen is not None:
                        self.screen(UnitRemoved(str(message["elsewhere"])))
                    continue
                text = str(message["scan"])[:MAX_SCAN]
                late = time.monotonic() - float(message["given"])
            except (EOFError, OSError):
                self.broken = True
            except (ValueError, KeyError, TypeError, AttributeError):
                continue
            else:
                if late > TAKEN_SECONDS:  # whoever gave it has said by now that it did not arrive
                    continue
                self._take(Scan(text.strip(), time.monotonic(), text))
                self.send({"took": message.get("number")})
        self._interrupt()
        self._scans.put(None)

    def _take(self, scan: Scan) -> None:
        with self._lock:
            # What comes with the verdict is the next unit, a moment before the station waits for it.
            is_over = self.screen is not None and self.screen.state.state not in UNDER_TEST
            is_wanted = self._waiting or (is_over and not self._passed_on)
            self._waiting = False
            self._passed_on = self._passed_on or (is_wanted and _begins_a_test(scan.text))
            last, self._last = self._last, scan
            self._stops = self._stops or (scan.text == _STOP and not is_wanted)
        if is_wanted:
            self._scans.put(scan)
        elif scan.text == _STOP:
            # It ends the run, and then stops the station.
            self._scans.put(scan)
            self._interrupt()
        elif self.screen is not None:
            self.screen(ScanIgnored(scan.text, "twice" if _is_twice(scan, last) else "during a test"))

    def has_state(self) -> None:
        """Hear that a state tells of the scan that was passed on."""
        with self._lock:
            self._passed_on = False

    def _interrupt(self) -> None:
        """End the run under way, if there is one; a run that is being recorded is not cut short."""
        main = threading.main_thread().ident
        if main is not None:
            signal.pthread_kill(main, signal.SIGINT)


def _begins_a_test(text: str) -> bool:
    return not text.startswith(PREFIX) or text == Code(Order.CHECK).text


def _is_twice(scan: Scan, last: Scan | None) -> bool:
    return last is not None and last.text == scan.text and scan.arrived - last.arrived < DOUBLE_SCAN_SECONDS


class _People:
    """The people at the station, who answer by the scanner."""

    def __init__(self, link: _Link) -> None:
        self._link = link

    def confirm(self, request: str) -> str | None:
        """Ask for something to be done and wait; return why it was not, None where it was."""
        while True:
            answer = self._ask(f"{request}.", f"Then scan {_DONE}, or {_CANNOT}.")
            if answer is None:
                return "the station was closed before anyone confirmed it"
            if answer.text == _DONE:
                return None
            if answer.text == _CANNOT:
                return "the operator said that it cannot be done"
            if answer.text == _STOP:
                self._link.put_back(answer)
                raise KeyboardInterrupt
            told = visible(answer.text[:40])
            self._tell(Ordered(f"{told} is no answer: scan {_DONE} once it is done, or {_CANNOT}."))

    def choose(self, request: str, codes: Sequence[str]) -> str | None:
        """Ask for one of some codes and wait; return it, None where none was given.

        Anything else that is scanned is no answer: it is the next scan.
        """
        answer = self._ask(
            f"{request}?", f"Scan the code of one: {', '.join(codes)}. Without one: {_CANNOT}."
        )
        if answer is None or answer.text == _CANNOT:
            return None
        reason = chosen(answer.text, codes)
        if reason is None:
            self._link.put_back(answer)
        return reason

    def _ask(self, request: str, answer: str) -> Scan | None:
        self._tell(Asked(request, answer))
        return self._link.next_scan()

    def _tell(self, event: Event) -> None:
        if self._link.screen is not None:
            self._link.screen(event)
