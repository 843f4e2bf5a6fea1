"""Which page operates the station: one at a time; all others watch.

The first page gets a key, which only that tab knows and sends with every scan. A tab that is loaded anew shows its key
and goes on; one that is gone for a while gives its place to the next that asks for it.
"""

from __future__ import annotations

import hmac
import secrets
import time
from collections.abc import Callable
from typing import Final

#: A page that is loaded anew comes back within this time.
GRACE_SECONDS: Final = 3.0


class Control:
    """Who operates the station.

    Parameters
    ----------
    clock : callable
        Seconds that only go forward.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._key = ""
        self._stream: object | None = None
        self._left = float("-inf")

    def join(self, stream: object, key: str) -> str | None:
        """Return the key of a page that begins to listen; None where another one operates the station.

        Parameters
        ----------
        stream : object
            What the page listens by.
        key : str
            The key that it has; empty for none.
        """
        known = self._key != "" and hmac.compare_digest(key.encode(), self._key.encode())
        is_free = self._stream is None and self._clock() - self._left > GRACE_SECONDS
        if not known and not is_free:
            return None
        if not known:
            self._key = secrets.token_urlsafe(24)
        # A copied tab has the key too: the newest one operates, and the one before watches.
        self._stream = stream
        return self._key

    def leave(self, stream: object) -> None:
        """Note that a page listens no longer."""
        if self._stream is stream:
            self._stream, self._left = None, self._clock()

    def operates(self, stream: object) -> bool:
        """Return whether a page that listens is the one that operates the station."""
        return self._stream is stream

    def allows(self, key: str, stream: str) -> bool:
        """Return whether a scan with this key, from the page with this name, counts."""
        is_known = self._key != "" and hmac.compare_digest(key.encode(), self._key.encode())
        return is_known and self._stream == stream
