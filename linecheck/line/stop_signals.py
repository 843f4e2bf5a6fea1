"""Requests to stop: heard once, and never while measurements are being stored."""

from __future__ import annotations

import signal
import threading
from types import FrameType
from typing import Any, Self


class StopSignals:
    """Turns Ctrl-C, SIGTERM and a closed terminal into one KeyboardInterrupt.

    After the first, or after :meth:`hold`, further ones are only noted (``asked``): what was measured is
    being recorded, which takes a moment and must not be cut short.
    """

    def __init__(self) -> None:
        self.asked = False
        self._held = False
        self._before: dict[int, Any] = {}

    def hold(self) -> None:
        """From now on only note the request."""
        self._held = True

    def _hear(self, number: int, frame: FrameType | None) -> None:
        first = not self.asked
        self.asked = True
        if first and not self._held:
            raise KeyboardInterrupt

    def __enter__(self) -> Self:
        """Begin to listen; a signal that the program was started to ignore stays ignored."""
        if threading.current_thread() is threading.main_thread():
            for name in ("SIGINT", "SIGTERM", "SIGHUP"):
                number = getattr(signal, name, None)
                if number is not None and signal.getsignal(number) is not signal.SIG_IGN:
                    self._before[number] = signal.signal(number, self._hear)
        return self

    def __exit__(self, *_: object) -> None:
        """Listen no longer."""
        for number, handler in self._before.items():
            signal.signal(number, handler)
