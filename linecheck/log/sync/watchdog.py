"""Giving up a server that holds its connection and answers nothing, which no setting of the driver does."""

from __future__ import annotations

import socket
import threading
from contextlib import suppress
from types import TracebackType
from typing import Self

from sqlalchemy import Connection

from linecheck.log.sync.server import driver

__all__ = ["Watchdog"]


class Watchdog:
    """Cuts a connection over which there was no progress for too long; whoever waits for it sees it lost.

    Parameters
    ----------
    connection : Connection
    seconds : float
        How long may pass from :meth:`restart` to :meth:`restart`.
    """

    def __init__(self, connection: Connection, seconds: float) -> None:
        self._seconds = seconds
        with driver(connection) as raw:
            # A name of its own for the connection: the driver may close its one meanwhile.
            self._socket = socket.socket(fileno=socket.dup(raw.fileno()))
        self._timer = self._started()

    def restart(self) -> None:
        """Begin to wait anew: there was progress."""
        self._timer.cancel()
        self._timer = self._started()

    def __enter__(self) -> Self:
        """Return what waits."""
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Wait no longer."""
        self._timer.cancel()
        self._socket.close()

    def _started(self) -> threading.Timer:
        timer = threading.Timer(self._seconds, self._cut)
        timer.daemon = True
        timer.start()
        return timer

    def _cut(self) -> None:
        with suppress(OSError):
            self._socket.shutdown(socket.SHUT_RDWR)
