"""Standard streams whose failure decides nothing.

A terminal is closed in the middle of a run, a pipe's reader goes away, a disk that the output is redirected
to fills up, or there is no stream at all. A run goes on all the same, is recorded and leaves its files; that
something could not be shown is said at the end, where that is still possible.
"""

from __future__ import annotations

import contextlib
import io
import os
import sys
from collections.abc import Iterator
from typing import Any, Literal, TextIO, cast


class Outlet:
    """A text stream that raises nothing when it cannot be written; ``failure`` is the first reason why."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self.failure: OSError | None = None

    def write(self, text: str) -> int:
        """Write, or note that it was not possible."""
        try:
            return self._stream.write(text)
        except OSError as error:
            self._fail(error)
            return len(text)

    def write_bytes(self, content: bytes) -> None:
        """Write what is no text, or note that it was not possible."""
        try:
            self._stream.flush()
            self._stream.buffer.write(content)
        except OSError as error:
            self._fail(error)

    def flush(self) -> None:
        """Bring what was written out of the program, or note that it was not possible."""
        try:
            self._stream.flush()
        except OSError as error:
            self._fail(error)

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401 - whatever the stream has
        """Be the stream in everything else."""
        return getattr(self._stream, name)

    def _fail(self, error: OSError) -> None:
        """Lead the stream nowhere, so that what it still holds troubles nobody later."""
        self.failure = self.failure or error
        with contextlib.suppress(OSError, ValueError):
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, self._stream.fileno())
            os.close(nowhere)


@contextlib.contextmanager
def forgiving_streams() -> Iterator[Outlet]:
    """Replace the standard streams by forgiving ones; gives standard output."""
    # In this order: a stream that is missing gets the number that it would have had, and no file gets it.
    sys.stdin = sys.stdin or _nowhere("r")
    sys.stdout = sys.stdout or _nowhere("w")
    sys.stderr = sys.stderr or _nowhere("w")
    if isinstance(sys.stdout, io.TextIOWrapper):
        # Whatever is to be shown can be, whatever the terminal's character set.
        sys.stdout.reconfigure(errors="backslashreplace")
    before = sys.stdout, sys.stderr
    outlets = Outlet(before[0]), Outlet(before[1])
    sys.stdout, sys.stderr = cast("tuple[TextIO, TextIO]", outlets)
    try:
        yield outlets[0]
    finally:
        for outlet in outlets:
            outlet.flush()
        sys.stdout, sys.stderr = before


def _nowhere(mode: Literal["r", "w"]) -> TextIO:
    return open(os.devnull, mode, encoding="utf-8")
