"""Scans and questions: serial numbers on standard input, and what the operator is asked between them.

A barcode scanner is a keyboard that ends with Enter.
"""

from __future__ import annotations

import os
import queue
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, nullcontext, suppress
from functools import cached_property

import click

from linecheck.cli.display.messages import tell
from linecheck.errors import ExitStatus
from linecheck.files.text import visible
from linecheck.line.codes import Code, Order, chosen
from linecheck.line.events import LineEvent
from linecheck.line.hand_over import Beside
from linecheck.line.scan import Scan, scan_units
from linecheck.line.session import Session
from linecheck.line.stop_signals import StopSignals
from linecheck.line.unit_trace import UnitFacts

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

    def next(self, meanwhile: Callable[[], None] = lambda: None) -> Scan | None:
        """Return the next line; None at the end. ``meanwhile`` is called now and then while it waits."""
        if self._put_back:
            return self._put_back.pop()
        while not self._ended:
            try:
                line = self._lines.get(timeout=0.5)
            except queue.Empty:
                meanwhile()
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


class Prompt:
    """Asks on standard error, and reads the answers from standard input.

    Parameters
    ----------
    paused : callable
        Gives a context in which nothing else writes to the screen.
    """

    def __init__(self, paused: Callable[[], AbstractContextManager[None]] = nullcontext) -> None:
        self._paused = paused

    @cached_property
    def scans(self) -> Scans:
        """The lines of standard input, which is read from the first use on and not before."""
        return Scans(sys.stdin.fileno())

    def confirm(self, request: str) -> str | None:
        """Ask for a setting to be made and wait for Enter; return why it was not made, None where it was."""
        with self._paused():
            answers = self._answers(f"{request}, then press Enter (x and Enter: it cannot be set).")
            if answers is None:
                return "there is no input on which anyone could confirm it"
            for line in answers:
                if line.text in ("", Code(Order.DONE).text):
                    return None
                if line.text.lower() in ("x", Code(Order.CANNOT).text.lower()):
                    return "the operator said that it cannot be set"
                tell(
                    f"{line.text[:80]!a} is no confirmation; press Enter alone once the unit is set, or x and Enter"
                )
            return "the input ended before anyone confirmed it"

    def choose(self, request: str, codes: Sequence[str]) -> str | None:
        """Ask for one of some codes and wait; return it, or None where none was given.

        Anything else that is scanned is no answer: it stays for whoever reads next.
        """
        answers = self._answers(
            f"{request}: scan or type one of {', '.join(codes)}; without one it is not tested."
        )
        line = next(answers, None) if answers is not None else None
        answer = None if line is None else chosen(line.text, codes)
        if answer is not None:
            return answer
        if line is not None and line.text:
            self.scans.put_back(line)
        return None

    def _answers(self, question: str) -> Iterator[Scan] | None:
        """Ask, and return the lines that come after it; None where there is no input.

        What was typed at a terminal before the question says nothing of it.
        """
        try:
            if "scans" not in self.__dict__:
                _forget_typed(sys.stdin.fileno())
            scans = self.scans
        except (AttributeError, OSError, ValueError):
            return None
        asked = time.monotonic() if sys.stdin.isatty() else 0.0
        click.echo(visible(question), err=True)
        return (line for line in iter(scans.next, None) if line.arrived >= asked)


def _forget_typed(descriptor: int) -> None:
    """Drop what was typed at a terminal before anything was asked: nobody has stamped it with its time."""
    with suppress(ImportError, OSError):
        import termios  # Windows has none

        with suppress(termios.error):
            termios.tcflush(descriptor, termios.TCIFLUSH)


def scan_on_input(
    session: Session, facts: UnitFacts, prompt: Prompt, between: Callable[[], None], beside: Beside | None
) -> ExitStatus:
    """Test unit after unit until the input ends or is stopped.

    ``between`` is called before each; what ``beside`` hands over is told then, and while nothing is scanned.
    """
    scans = prompt.scans

    def ask() -> None:
        click.echo("Scan a serial number (Ctrl-C ends): ", err=True, nl=False)

    def tell(said: Sequence[LineEvent]) -> None:
        for event in said:
            session.listener(event)

    def meanwhile() -> None:
        said = beside.said() if beside is not None else []
        if said:
            click.echo("", err=True)
            tell(said)
            ask()

    def next_scan() -> Scan | None:
        between()
        if beside is not None:
            beside.look()
            tell(beside.said())
        ask()
        scan = None
        with suppress(KeyboardInterrupt), StopSignals():
            scan = scans.next(meanwhile)
        click.echo("", err=True)
        return scan

    return scan_units(session, facts, next_scan, attended=sys.stdin.isatty())
