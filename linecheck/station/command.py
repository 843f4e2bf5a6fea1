"""The station's own commands (a setting of the unit, its identity, a label to print): run without a shell, bounded.

They are bounded in time and in output.
"""

from __future__ import annotations

import os
import re
import shlex
import signal
import subprocess
import threading
import time
from collections.abc import Collection, Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import IO, Final

from linecheck.files.text import visible

#: Characters of each of a command's outputs that are kept, the last ones.
MAX_OUTPUT: Final = 4000
#: Characters of a command's answer.
MAX_ANSWER: Final = 200
#: How long to wait for the rest of the output of a command that has ended.
LAST_WORDS_SECONDS: Final = 0.5

_MARK = re.compile(r"\{([A-Za-z_][A-Za-z0-9_]*)\}")


def split_command(command: str) -> list[str]:
    """Return a command's arguments as a POSIX shell would split them, without its other powers.

    Raises
    ------
    ValueError
        A quote is not closed, or there is nothing to run.
    """
    words = shlex.split(command)
    if not words or not words[0]:
        raise ValueError("it names no program")
    return words


def check_command(command: str, marks: Collection[str]) -> str:
    """Return a command of a config that can be run, whose marks ``{name}`` all stand for something.

    Raises
    ------
    ValueError
        It cannot be split, or a mark stands for nothing: passed on as it is, it would name no unit and no setting.
    """
    if "\0" in command:
        raise ValueError("contains the character U+0000, which no command may have")
    try:
        split_command(command)
    except ValueError as error:
        raise ValueError(f"is not a command: {error}") from None
    unknown = next((name for name in _MARK.findall(command) if name not in marks), None)
    if unknown is not None:
        known = (
            f"use {', '.join(f'{{{name}}}' for name in marks)}" if marks else ("nothing is filled in here")
        )
        raise ValueError(f"{{{unknown[:40]}}} is not a placeholder; {known} (put other braces into a script)")
    return command


@dataclass(frozen=True)
class Ended:
    """How a command ended.

    Attributes
    ----------
    status : int or None
        Its exit status; None where it has none: it could not be started, took too long, or was killed.
    why : str or None
        Why it was not done; None where the command ended with status 0.
    printed, errors : str
        The last of what it printed on its two outputs.
    """

    status: int | None
    why: str | None
    printed: str = ""
    errors: str = ""

    @property
    def output(self) -> str:
        """The last of what it printed, and after it the last of its errors: in this order, whatever came first."""
        parted = self.errors and self.printed and not self.printed.endswith("\n")
        return self.printed + "\n" * bool(parted) + self.errors

    @property
    def answer(self) -> str:
        """The last line of text that it printed, every character of it visible; of its errors where it printed none."""
        return visible(_last_line(self.printed) or _last_line(self.errors))[:MAX_ANSWER]


def run_station_command(
    command: str, fills: Mapping[str, str], timeout_seconds: float, given: bytes | None = None
) -> Ended:
    """Run a command of the station.

    Parameters
    ----------
    command : str
    fills : mapping of str to str
        What stands for ``{name}`` inside an argument, where it never makes another one; also ``LINECHECK_NAME`` in the
        command's environment.
    timeout_seconds : float
        After that it is ended, with all that it has started.
    given : bytes, optional
        What it finds on its standard input, which is empty otherwise.
    """
    words = [_filled(word, fills) for word in split_command(command)]
    try:
        process = subprocess.Popen(
            words,
            stdin=subprocess.DEVNULL if given is None else subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env={**os.environ, **{f"LINECHECK_{name.upper()}": text for name, text in fills.items()}},
            start_new_session=True,
        )
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        return Ended(None, f"the command {words[0]!r} cannot be started: {reason}")
    tails = _Tail(process.stdout), _Tail(process.stderr)
    if process.stdin is not None and given is not None:
        threading.Thread(target=_feed, args=(process.stdin, given), daemon=True).start()
    try:
        status = process.wait(timeout_seconds)
    except subprocess.TimeoutExpired:
        _end(process)
        why = f"the command did not end within {timeout_seconds:g} s and was ended"
        return Ended(None, why, *_texts(tails))
    except BaseException:
        _end(process)
        raise
    printed, errors = _texts(tails)
    failure = None if status == 0 else _failure(status, _last_line(errors) or _last_line(printed))
    return Ended(status if status >= 0 else None, failure, printed, errors)


def _feed(stream: IO[bytes], given: bytes) -> None:
    """Give a command its input, as far as it reads it."""
    with suppress(OSError, ValueError), stream:
        stream.write(given)


def _filled(word: str, fills: Mapping[str, str]) -> str:
    # In one pass, so that a value that looks like a mark stays as it is.
    marks = "|".join(re.escape(name) for name in fills)
    return re.sub(f"{{({marks})}}", lambda found: fills[found[1]], word) if fills else word


def _failure(status: int, why: str) -> str:
    how = f"exit status {status}" if status > 0 else f"ended by signal {-status}"
    return f"the command failed ({how})" + (f": {why[:200]}" if why else "")


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


class _Tail:
    """Reads a stream to its end and keeps the last of it, so that what prints without end fills nothing."""

    def __init__(self, stream: IO[bytes] | None) -> None:
        self._stream = stream
        self._kept = b""
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        assert self._stream is not None
        with self._stream, suppress(OSError, ValueError):
            while block := os.read(self._stream.fileno(), 65536):
                self._kept = (self._kept + block)[-4 * MAX_OUTPUT :]

    def text(self, until: float) -> str:
        """Return what was read by then; what the command has left running may still hold the stream open."""
        self._thread.join(max(0.0, until - time.monotonic()))
        return self._kept.decode("utf-8", "replace").replace("\0", "\N{REPLACEMENT CHARACTER}")[-MAX_OUTPUT:]


def _texts(tails: tuple[_Tail, _Tail]) -> tuple[str, str]:
    """Return what was printed, and the errors."""
    until = time.monotonic() + LAST_WORDS_SECONDS
    printed, errors = (tail.text(until) for tail in tails)
    return printed, errors
