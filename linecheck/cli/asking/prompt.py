"""Asking the operator: to set the unit, or for the retest reason."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext, suppress

import click

from linecheck.cli.asking.input_lines import Scans
from linecheck.cli.display.messages import tell
from linecheck.files.text import visible

__all__ = ["Prompt"]


class Prompt:
    """Asks on standard error, and reads the answers from standard input.

    Parameters
    ----------
    paused : callable
        Gives a context in which nothing else writes to the screen.
    """

    def __init__(self, paused: Callable[[], AbstractContextManager[None]] = nullcontext) -> None:
        self._paused = paused
        self._scans: Scans | None = None

    def read(self, descriptor: int) -> Scans:
        """Begin to read the lines of standard input, and return them to whoever reads them as well."""
        self._scans = Scans(descriptor)
        return self._scans

    def confirm(self, request: str) -> str | None:
        """Ask for a setting to be made and wait for Enter; return why it was not made, None where it was."""
        with self._paused():
            return self._confirmed(request)

    def _confirmed(self, request: str) -> str | None:
        try:
            scans = self._lines()
        except (AttributeError, OSError, ValueError):
            return "there is no input on which anyone could confirm it"
        attended = sys.stdin.isatty()
        asked = time.monotonic()
        click.echo(visible(f"{request}, then press Enter (x and Enter: it cannot be set)."), err=True)
        while (line := scans.next()) is not None:
            if attended and line.arrived < asked:
                continue  # typed before it was asked for: says nothing of this setting
            if not line.text:
                return None
            if line.text.lower() == "x":
                return "the operator said that it cannot be set"
            tell(
                f"{line.text[:80]!a} is no confirmation; press Enter alone once the unit is set, or x and Enter"
            )
        return "the input ended before anyone confirmed it"

    def choose(self, request: str, codes: Sequence[str]) -> str | None:
        """Ask for one of some codes and wait; return it, or None where none was given.

        Anything else that is scanned is no answer: it stays for whoever reads next.
        """
        try:
            scans = self._lines()
        except (AttributeError, OSError, ValueError):
            return None
        asked, attended = time.monotonic(), sys.stdin.isatty()
        click.echo(
            visible(f"{request}: scan or type one of {', '.join(codes)} (Enter: not at all)."), err=True
        )
        while (line := scans.next()) is not None:
            if attended and line.arrived < asked:
                continue
            if line.text.lower() in codes:
                return line.text.lower()
            if line.text:
                scans.put_back(line)
            return None
        return None

    def _lines(self) -> Scans:
        """Return the lines of standard input, which is read from the first question on and not before."""
        if self._scans is None:
            _forget_typed(sys.stdin.fileno())
            return self.read(sys.stdin.fileno())
        return self._scans


def _forget_typed(descriptor: int) -> None:
    """Drop what was typed at a terminal before anything was asked: nobody has stamped it with its time."""
    with suppress(ImportError, OSError):
        import termios

        with suppress(termios.error):
            termios.tcflush(descriptor, termios.TCIFLUSH)
