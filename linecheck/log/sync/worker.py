"""The process that sends beside a session: it looks for something new, sends it, and tries again where that fails.

Its standard input is the session: where that ends, it sends what there is and ends. Its standard output gets a line at
the start of an outage and one at its end.
"""

from __future__ import annotations

import os
import random
import sys
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from typing import TYPE_CHECKING

from linecheck.errors import LinecheckError, ServerError

if TYPE_CHECKING:
    from linecheck.log.stored import Head
    from linecheck.log.sync.local import LocalLog
    from linecheck.log.sync.push import Pushed
    from linecheck.log.sync.target import Target

#: However long an outage lasts, it is tried again after this time.
MAX_WAIT_SECONDS = 120.0
#: How long it goes on without the session.
_LAST_SECONDS = 30.0

_LOWEST_PRIORITY = 19
_MAX_REST_SECONDS = 5.0


class Worker:
    """Sends a log, again and again.

    Parameters
    ----------
    log : LocalLog
    target : Target
    every_seconds : float
        How often the log is looked at.
    ended : threading.Event
        Set once the session has ended.
    say : callable
        Takes a line for the operator.
    """

    def __init__(
        self,
        log: LocalLog,
        target: Target,
        every_seconds: float,
        ended: threading.Event,
        say: Callable[[str], None],
    ) -> None:
        self._log, self._target, self._every, self._ended, self._say = log, target, every_seconds, ended, say
        self._asked = False
        self._begun = 0.0
        self._failures = 0
        self._trouble: type[LinecheckError] | None = None
        self._warned: set[tuple[str, str, str]] = set()

    def work(self) -> None:
        """Send until the session has ended, and once more."""
        while True:
            last = self._ended.is_set()
            self.once()
            if last:
                return
            self._ended.wait(waiting_seconds(self._every, self._failures, random.random()))

    def once(self) -> None:
        """Send what there is, if there is anything, or if the server was never asked."""
        from linecheck.log.sync.push import push

        try:
            if self._asked and self._log.head() == self._log.acknowledged(self._target):
                return
            self._begun = time.monotonic()
            pushed = push(self._log, self._target, progress=self._rest)
        except LinecheckError as error:
            self._failed(error)
        else:
            self._succeeded(pushed)

    def _rest(self, _: Head) -> None:
        """Leave the machine to the units for as long as the last batch took, unless there will be none any more."""
        self._ended.wait(min(time.monotonic() - self._begun, _MAX_REST_SECONDS))
        self._begun = time.monotonic()

    def _failed(self, error: LinecheckError) -> None:
        self._failures += 1
        self._asked = False
        if type(error) is self._trouble:
            return
        self._trouble = type(error)
        if isinstance(error, ServerError):
            self._say(
                f"not sent: {error}. The records stay in the log; it is tried again, and units are tested as before"
            )
        else:
            self._say(f"not sent: {error}")

    def _succeeded(self, pushed: Pushed) -> None:
        self._asked = True
        if self._trouble is not None:
            count = pushed.head.sequence
            self._say(f"sent again: {self._target} has all {count} record{'s' * (count != 1)} of the log")
        self._failures, self._trouble = 0, None
        for conflict in pushed.namesakes:
            key = (conflict.station, conflict.one.chain, conflict.other.chain)
            if key not in self._warned:
                self._warned.add(key)
                self._say(f"warning: {conflict}")


def waiting_seconds(every_seconds: float, failures: int, chance: float) -> float:
    """Return how long to wait: twice as long after each failure, and never all stations at the same moment.

    ``chance`` is a random number from 0 to 1.
    """
    if not failures:
        return every_seconds
    longest = min(MAX_WAIT_SECONDS, every_seconds * 2.0 ** min(failures, 30))
    return max(min(every_seconds, MAX_WAIT_SECONDS), longest * (0.5 + 0.5 * chance))


def main(location: str, url: str, every_seconds: str) -> None:
    """Work until standard input ends."""
    # Before anything slow is imported: that is to hold nobody up either.
    with suppress(OSError, AttributeError):
        os.nice(_LOWEST_PRIORITY)
    ended = threading.Event()
    threading.Thread(target=_watch, args=(ended,), name="session", daemon=True).start()
    try:
        from linecheck.log.sync.local import LocalLog
        from linecheck.log.sync.target import Target

        with LocalLog(location) as log:
            Worker(log, Target.parsed(url, "[sync] to"), float(every_seconds), ended, _say).work()
    except LinecheckError as error:
        _say(f"not sent: {error}")


def _watch(ended: threading.Event) -> None:
    while os.read(0, 4096):
        pass
    ended.set()
    timer = threading.Timer(_LAST_SECONDS, os._exit, (0,))
    timer.daemon = True
    timer.start()


def _say(line: str) -> None:
    from linecheck.files.text import visible

    with suppress(OSError):
        os.write(1, (" ".join(visible(line).split()) + "\n").encode())


if __name__ == "__main__":
    main(*sys.argv[1:])
