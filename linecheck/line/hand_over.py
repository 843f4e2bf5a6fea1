"""Handing results over to the factory's own program, in order, beside the units that are tested.

Nothing of it waits for a program while a unit is tested, or changes a verdict or what a command ends with. What waits
stands in the log (:mod:`linecheck.log.outbox`), so that it is handed over at least once, whatever ends this program.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from typing import Final, Literal

from linecheck.errors import LinecheckError
from linecheck.files.text import visible
from linecheck.files.times import utc_text
from linecheck.line.events import HandedOver, HandOverFailed, LineEvent, Listener, Note
from linecheck.line.stop_signals import StopSignals
from linecheck.log import Log
from linecheck.log.outbox import Waiting, delivering
from linecheck.results.formats import result_formats
from linecheck.results.formats.base import OneRun
from linecheck.station.config.hand_over import AfterConfig
from linecheck.station.config.station import StationConfig

_log = logging.getLogger(__name__)
_log.addHandler(logging.NullHandler())

#: What a program is given.
FORMAT: Final = "json"
#: How often the log is looked at for what another program may have left.
_LOOK_SECONDS: Final = 5.0
_FIRST_RETRY_SECONDS: Final = 1.0
#: After that people are told what they wait for.
_PATIENCE_SECONDS: Final = 1.0
#: What waits to be said is short: a line for each unit between two scans.
_MAX_EVENTS: Final = 100

#: ``done``: nothing waits; ``busy``: another program hands over what waits; ``stopped``: it was told not to go on.
Outcome = Literal["done", "busy", "failed", "stopped"]


class HandOver:
    """Hands over what a station has recorded, the oldest first; where that goes wrong, all else waits behind it.

    Parameters
    ----------
    log : Log
    station : str
        Whose runs.
    after : AfterConfig
        What they are given to.
    say : callable
        Hears of each run that is handed over, and once of one that is not, however often it is tried.
    """

    def __init__(self, log: Log, station: str, after: AfterConfig, say: Callable[[LineEvent], None]) -> None:
        self._log, self._station, self._after, self._say = log, station, after, say
        self._made: tuple[int, bytes] = 0, b""
        self._failing = 0

    def all(self, go_on: Callable[[], bool] = lambda: True) -> Outcome:
        """Hand over what waits, as long as ``go_on`` says so; return how that ended."""
        while go_on():
            entry = None
            try:
                with delivering(self._log.path, self._station) as mine:
                    if not mine:
                        return "busy"
                    entry = next(iter(self._log.outbox(self._station, 1)), None)
                    if entry is None:
                        return "done"
                    why = self._given(entry)
            except Exception as error:
                known = isinstance(error, LinecheckError)
                if not known:
                    _log.exception("handing over failed")
                why = str(error) if known else f"{type(error).__name__}: {error}"
            if why is not None:
                self._failed(entry, why)
                return "failed"
        return "stopped"

    def _given(self, entry: Waiting) -> str | None:
        """Give one run to the program; return why it was not taken, None where it was."""
        content = self._content(entry)
        tries = self._log.note_try(entry)
        ended = self._after.ended({"serial": entry.serial}, content)
        if ended.why is not None:
            return ended.why
        now, program = utc_text(datetime.now(UTC)), self._after.program
        try:
            self._log.handed_over(entry, tries, {"handed": now, "command": program, "answer": ended.answer})
        except LinecheckError as error:
            return f"{program} took it, which cannot be stated, so that it gets it again: {error}"
        self._failing = 0
        self._say(HandedOver(entry.run_id, entry.serial, program, ended.answer, tries))
        return None

    def _content(self, entry: Waiting) -> bytes:
        """Return the result of a run; made once, however often it is tried."""
        if self._made[0] != entry.sequence:
            run = self._log.record(entry.sequence)
            self._made = entry.sequence, result_formats()[FORMAT].of_run(OneRun(run))
        return self._made[1]

    def _failed(self, entry: Waiting | None, why: str) -> None:
        """Note why a run was not handed over, and say so if that was not said of it before."""
        why, which = visible(why), -1 if entry is None else entry.sequence
        if entry is not None:
            with suppress(LinecheckError):
                self._log.note_answer(entry, why)
        if which == self._failing:
            return
        self._failing = which
        if entry is None:
            self._say(Note(f"nothing is handed over: {why}. It is tried again"))
        else:
            self._say(HandOverFailed(entry.run_id, entry.serial, why))


class Beside:
    """Hands over in a thread of its own, and keeps what there is to say of it for whoever asks.

    Parameters
    ----------
    log : Log
    station : str
    after : AfterConfig
    """

    def __init__(self, log: Log, station: str, after: AfterConfig) -> None:
        self._events: deque[LineEvent] = deque(maxlen=_MAX_EVENTS)
        self._hand_over = HandOver(log, station, after, self._events.append)
        self._retry_seconds = after.retry_seconds
        self._until = float("inf")
        self._look, self._ended = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._work, name="hand-over", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def look(self) -> None:
        """Look now for what there is to hand over."""
        self._look.set()

    def said(self) -> list[LineEvent]:
        """Return what there is to say since the last time."""
        return [self._events.popleft() for _ in range(len(self._events))]

    def stop(self, within_seconds: float = 0.0) -> None:
        """Begin with nothing more after this time."""
        self._until = time.monotonic() + within_seconds
        self._ended.set()
        self._look.set()

    def wait(self, seconds: float) -> bool:
        """Wait for the end; return whether it has come."""
        self._thread.join(seconds)
        return not self._thread.is_alive()

    def _work(self) -> None:
        failures = 0
        while True:
            last = self._ended.is_set()
            outcome = self._hand_over.all(lambda: time.monotonic() < self._until)
            failures = failures + 1 if outcome == "failed" else 0
            if last or (failures and self._ended.is_set()):
                return
            if failures:
                self._ended.wait(retry_seconds(self._retry_seconds, failures))
            else:
                self._look.wait(_LOOK_SECONDS)
                self._look.clear()


def retry_seconds(longest: float, failures: int) -> float:
    """Return how long to wait after so many failures in a row: each time twice as long."""
    return min(longest, _FIRST_RETRY_SECONDS * 2.0 ** min(failures - 1, 30))


@contextmanager
def handing_over(
    log: Log, config: StationConfig, listener: Listener, *, one_unit: bool
) -> Iterator[Beside | None]:
    """Hand over results while units are tested inside, or, for a single unit, once it is tested.

    Gives what does so in between, None where there is nothing to do. At the end it is tried once more, and no command
    is begun after the time that one may take; a request to stop ends the wait, and what waits is there the next time.
    """
    after = config.after
    if after is None:
        yield None
        return
    beside = Beside(log, config.station, after)
    if not one_unit:
        beside.start()
    try:
        yield beside
    except BaseException:
        beside.stop()
        raise
    beside.stop(after.timeout_seconds)
    if one_unit:
        beside.start()
    with StopSignals(), suppress(KeyboardInterrupt):
        if not beside.wait(_PATIENCE_SECONDS):
            listener(Note("results are being handed over; Ctrl-C leaves them for the next time"))
            # Nothing begins after the first of these times, and what has begun takes no longer than the second.
            beside.wait(2.0 * after.timeout_seconds + _PATIENCE_SECONDS)
    for event in (*beside.said(), *_still_waiting(log, config.station)):
        listener(event)


def _still_waiting(log: Log, station: str) -> Iterator[Note]:
    """Yield a note if something waits to be handed over."""
    with suppress(LinecheckError):
        waiting = log.count_outbox(station)
        if waiting:
            results = "1 result waits" if waiting == 1 else f"{waiting} results wait"
            yield Note(
                f"{results} to be handed over: the next `linecheck run` at this station tries again, `linecheck log "
                "outbox` lists what waits"
            )
