"""The station's own commands (a setting of the unit, its identity, conditions): run without a shell, bounded.

They are bounded in time and in output.
"""

from __future__ import annotations

import codecs
import os
import re
import shlex
import signal
import subprocess
import threading
import time
from collections.abc import Mapping
from contextlib import suppress
from typing import IO, Final

__all__ = ["MOST_OUTPUT", "run_station_command", "split_command"]

#: Characters of a command's output that are kept, the last ones.
MOST_OUTPUT: Final = 4000
#: How long to wait for the rest of the output of a command that has ended.
LAST_WORDS_SECONDS: Final = 0.5


def split_command(command: str) -> list[str]:
    """Return a command's arguments as a POSIX shell would split them, without its other powers.

    Raises
    ------
    ValueError
        A quote is not closed, or there is nothing to run.
    """
    words = shlex.split(command)
    if not words or not words[0]:
        raise ValueError("there is nothing to run in it")
    return words


def run_station_command(
    command: str, fills: Mapping[str, str], timeout_seconds: float, environment: Mapping[str, str]
) -> tuple[str | None, str]:
    """Run a command of the station.

    Parameters
    ----------
    command : str
    fills : mapping of str to str
        What stands for ``{name}`` inside an argument; it never makes another one.
    timeout_seconds : float
        After that it is ended, with all that it has started.
    environment : mapping of str to str
        What is added to the environment.

    Returns
    -------
    why : str or None
        Why it was not done; None where the command ended with status 0.
    output : str
        The last of what the command printed on both its outputs, as it came in.
    """
    words = [_filled(word, fills) for word in split_command(command)]
    try:
        process = subprocess.Popen(
            words,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={**os.environ, **environment},
            start_new_session=True,
        )
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        return f"the command {words[0]!r} cannot be started: {reason}", ""
    printed = _Printed(process)
    try:
        status = process.wait(timeout_seconds)
    except subprocess.TimeoutExpired:
        _end(process)
        printed.wait()
        return f"the command did not end within {timeout_seconds:g} s and was ended", printed.both
    except BaseException:
        _end(process)
        raise
    printed.wait()
    return (None if status == 0 else _failure(status, printed)), printed.both


def _filled(word: str, fills: Mapping[str, str]) -> str:
    # In one pass, so that a value that looks like a mark stays as it is.
    marks = "|".join(re.escape(name) for name in fills)
    return re.sub(f"{{({marks})}}", lambda found: fills[found[1]], word) if fills else word


def _failure(status: int, printed: _Printed) -> str:
    how = f"exit status {status}" if status > 0 else f"ended by signal {-status}"
    last = _last_line(printed.errors) or _last_line(printed.both)
    return f"the command failed ({how})" + (f": {last[:200]}" if last else "")


def _last_line(text: str) -> str:
    return next((line.strip() for line in reversed(text.splitlines()) if line.strip()), "")


def _end(process: subprocess.Popen[bytes]) -> None:
    """End a command and all that it has started."""
    with suppress(OSError):
        if hasattr(os, "killpg"):
            os.killpg(process.pid, signal.SIGKILL)
        else:
            process.kill()
    process.wait()


class _Printed:
    """What a command has printed: both outputs are read to their ends, and the last of them is kept.

    So what prints without end neither waits for a reader nor fills the memory.
    """

    def __init__(self, process: subprocess.Popen[bytes]) -> None:
        assert process.stdout is not None
        assert process.stderr is not None
        self.both = ""
        self.errors = ""
        self._keeping = threading.Lock()
        self._readers = [
            threading.Thread(target=self._read, args=(process.stdout, False), daemon=True),
            threading.Thread(target=self._read, args=(process.stderr, True), daemon=True),
        ]
        for reader in self._readers:
            reader.start()

    def _read(self, stream: IO[bytes], is_errors: bool) -> None:
        # A character that two blocks share stays whole, whatever the other output says in between.
        decoder = codecs.getincrementaldecoder("utf-8")("replace")
        with stream, suppress(OSError, ValueError):
            while block := os.read(stream.fileno(), 65536):
                self._keep(decoder.decode(block), is_errors)
        self._keep(decoder.decode(b"", final=True), is_errors)

    def _keep(self, text: str, is_errors: bool) -> None:
        text = text.replace("\0", "\N{REPLACEMENT CHARACTER}")
        with self._keeping:
            self.both = (self.both + text)[-MOST_OUTPUT:]
            if is_errors:
                self.errors = (self.errors + text)[-MOST_OUTPUT:]

    def wait(self) -> None:
        """Wait a moment for what is still to be read; what the command has left running may hold the outputs open."""
        until = time.monotonic() + LAST_WORDS_SECONDS
        for reader in self._readers:
            reader.join(max(0.0, until - time.monotonic()))
