"""One thread for every call into PortAudio, so that a call that never returns hangs nothing but itself.

A driver or sound server that has died can hold a call (open, abort, close, even the list of devices) for
ever. Each call is therefore made by one daemon thread, in order, and waited for with a time limit; some host
APIs also want all calls from the thread that initialised them. A call that has timed out is left behind;
those that follow wait their turn.
"""

from __future__ import annotations

import atexit
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, wait
from contextlib import contextmanager
from functools import cache
from queue import SimpleQueue
from typing import Any, TypeVar

from linecheck.errors import StationError

__all__ = ["SoundDriver", "quiet_stderr", "sound_driver"]

T = TypeVar("T")

#: Slices of a wait, so that Ctrl-C gets through on systems that do not interrupt a waiting lock.
SLICE_SECONDS = 0.05


class SoundDriver:
    """The thread, and the queue of what it is to do.

    ``holders`` are those that have a stream open; only the functions that it calls touch it.
    """

    def __init__(self) -> None:
        self.holders: set[object] = set()
        self._calls: SimpleQueue[tuple[Future[Any], Callable[[], Any]]] = SimpleQueue()
        threading.Thread(target=self._serve, name="sound driver", daemon=True).start()

    def call(self, function: Callable[[], T], seconds: float, doing: str) -> T:
        """Return what ``function`` returns, or raise what it raises.

        Parameters
        ----------
        function : callable
        seconds : float
            How long to wait.
        doing : str
            What it does, for the message: "opening the device".

        Raises
        ------
        StationError
            It did not return in time.
        """
        future: Future[T] = Future()
        self._calls.put((future, function))
        deadline = time.monotonic() + seconds
        try:
            while not wait([future], timeout=SLICE_SECONDS).done:
                if time.monotonic() > deadline:
                    _leave_open_at_exit()
                    raise StationError(
                        f"the sound system did not answer for {seconds:g} s while {doing}: "
                        "its driver or server hangs; restart it, then start linecheck again"
                    )
        finally:
            future.cancel()
        return future.result()

    def _serve(self) -> None:
        while True:
            future, function = self._calls.get()
            if not future.set_running_or_notify_cancel():
                continue
            try:
                future.set_result(function())
            except BaseException as error:
                future.set_exception(error)
            del future, function


@cache
def sound_driver() -> SoundDriver:
    """Return the driver thread of this process."""
    return SoundDriver()


def _leave_open_at_exit() -> None:
    """Keep sounddevice from closing PortAudio when Python ends, where that would hang as well."""
    handler = getattr(sys.modules.get("sounddevice"), "_exit_handler", None)
    if handler is not None:
        atexit.unregister(handler)


@contextmanager
def quiet_stderr() -> Iterator[None]:
    """Drop what C libraries print on stderr meanwhile: ALSA and PortAudio print source file lines there."""
    try:
        kept, nowhere = os.dup(2), os.open(os.devnull, os.O_WRONLY)
    except OSError:
        yield
        return
    try:
        os.dup2(nowhere, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(nowhere)
