"""Unit after unit: a barcode scanner is a keyboard that ends with Enter."""

from __future__ import annotations

import math
import os
import queue
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import click

from linecheck.cli.settings_prompt import Prompt
from linecheck.cli.telling import tell
from linecheck.cli.unit_facts import UnitFacts
from linecheck.errors import ExitStatus, LinecheckError, UsageError
from linecheck.line.session import Session
from linecheck.line.stop_signals import StopSignals
from linecheck.run.plan import check_serial

__all__ = ["Scan", "Scans", "scan_units", "session_status"]

#: A scanner that reads a label twice does so within this time.
DOUBLE_SCAN_SECONDS = 2.0
LONGEST_LINE_BYTES = 4096
#: Lines that wait for their turn; an input that gives more waits itself, however much it has to give.
MOST_WAITING = 1000


@dataclass(frozen=True)
class Scan:
    """A line without the spaces and tabs around it, when it came (monotonic clock, s), and as it came."""

    text: str
    arrived: float
    raw: str = ""


class Scans:
    """Reads lines from a file descriptor, each with the time at which it came, not that of its turn."""

    def __init__(self, descriptor: int) -> None:
        self._lines: queue.Queue[Scan | None] = queue.Queue(MOST_WAITING)
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
        rest = rest[:LONGEST_LINE_BYTES]
        for line in whole:
            yield line[:LONGEST_LINE_BYTES], arrived


def scan_units(session: Session, facts: UnitFacts, between: Callable[[], None]) -> ExitStatus:
    """Test unit after unit until the input ends or someone stops the prompt; ``between`` is called before each."""
    attended = sys.stdin.isatty()
    scans = Scans(sys.stdin.fileno())
    session.operator = prompt = Prompt(scans)
    statuses: list[ExitStatus] = []
    accepted: Scan | None = None
    ended = -math.inf
    while True:
        between()
        scan = _prompt(scans)
        if scan is None:
            break
        if not scan.text:
            continue
        if _is_double(scan, accepted):
            tell(f"{scan.text[:80]!a} was scanned twice; the second scan is ignored")
            continue
        if attended and scan.arrived < ended:
            tell(f"{scan.text[:80]!a} was scanned during a test and is ignored: scan it again")
            continue
        try:
            serial = check_serial(scan.text, session.plan.limits)
        except UsageError as error:
            tell(str(error))
            continue
        accepted = scan
        tested = _tested(session, prompt, serial, facts, scan)
        statuses.append(tested if tested is not None else ExitStatus.INVALID)
        if tested is not None:
            ended = time.monotonic()
    return session_status(statuses)


def _is_double(scan: Scan, accepted: Scan | None) -> bool:
    """Return whether a scanner has read one label twice."""
    if accepted is None or accepted.text != scan.text:
        return False
    return scan.arrived - accepted.arrived < DOUBLE_SCAN_SECONDS


def _tested(session: Session, prompt: Prompt, serial: str, facts: UnitFacts, scan: Scan) -> ExitStatus | None:
    """Test one unit; None where something kept the run from taking place, which is said: the next unit may come."""
    try:
        facts = facts.with_reason(_reason(session, prompt, serial, facts.reason))
        return session.test(serial, facts, scan.raw)
    except LinecheckError as error:
        tell(str(error))
        return None


def _reason(session: Session, prompt: Prompt, serial: str, given: str | None) -> str | None:
    """Return why a unit is tested once more; the reason that is given for all units is that of repeats alone."""
    if not session.was_tested(serial):
        return None
    codes = session.plan.limits.retest.reasons if session.plan.limits.retest is not None else ()
    if given is None and codes:
        return prompt.choose(f"{serial} was tested before. Why once more", codes)
    return given


def _prompt(scans: Scans) -> Scan | None:
    """Ask for a serial number; None where there will be no more."""
    click.echo("Scan a serial number (Ctrl-C ends): ", err=True, nl=False)
    try:
        with StopSignals():
            scan = scans.next()
    except KeyboardInterrupt:
        scan = None
    click.echo("", err=True)
    return scan


def session_status(statuses: list[ExitStatus]) -> ExitStatus:
    """Return what a session ends with: any fail, else any invalid, else pass; invalid if nothing was run."""
    for status in (ExitStatus.FAIL, ExitStatus.INVALID, ExitStatus.PASS):
        if status in statuses:
            return status
    return ExitStatus.INVALID
