"""The lines of standard input, each with the time at which it came: scans, and answers to questions."""

from __future__ import annotations

import os
import queue
import threading
import time
from collections.abc import Iterator

from linecheck.line.scan import Scan

__all__ = ["Scans"]

MAX_LINE_BYTES = 4096
#: Lines that wait for their turn; an input that gives more waits itself, however much it has to give.
MAX_WAITING = 1000


class Scans:
    """Reads lines from a file descriptor, each with the time at which it came, not that of its turn."""

    def __init__(self, descriptor: int) -> None:
        self._lines: queue.Queue[Scan | None] = queue.Queue(MAX_WAITING)
        self._ended = False
        self._put_back: list[Scan] = []
        threading.Thread(target=self._read, args=(descriptor,), daemon=True).start()

    def next(self) -> Scan | None:
        """Return the next line; None at the end."""
        if self._put_back:
            return self._put_back.pop()
        while not self._ended:
            try:
                line = self._lines.get(timeout=0.5)
            except queue.Empty:
                continue
            self._ended = line is None
            return line
        return None

    def put_back(self, line: Scan) -> None:
        """Give a line back that was read for something else: it is the next one again."""
        self._put_back.append(line)

    def _read(self, descriptor: int) -> None:
        for line, arrived in _lines(descriptor):
            text = line.decode("utf-8", "backslashreplace")
            self._lines.put(Scan(text.strip(" \t"), arrived, text))
        self._lines.put(None)


def _lines(descriptor: int) -> Iterator[tuple[bytes, float]]:
    """Yield lines with the time of their end; an endless one is cut, the rest of it is dropped."""
    rest, returned = b"", False
    while True:
        try:
            block = os.read(descriptor, 65536)
        except OSError:
            block = b""
        arrived = time.monotonic()
        if not block:
            if rest.strip():
                yield rest, arrived
            return
        # A line that ends with CR LF is one line, and not an empty one after it, wherever the blocks are cut.
        begins = block[1:] if returned and block.startswith(b"\n") else block
        returned = block.endswith(b"\r")
        *whole, rest = (rest + begins).replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n")
        rest = rest[:MAX_LINE_BYTES]
        for line in whole:
            yield line[:MAX_LINE_BYTES], arrived
