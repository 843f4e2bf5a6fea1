"""Asking the operator: to set the unit, or why it is tested once more."""

from __future__ import annotations

import sys
import time
from collections.abc import Sequence
from contextlib import suppress
from typing import TYPE_CHECKING

import click

from linecheck.cli.telling import tell
from linecheck.files.text import visible

if TYPE_CHECKING:
    from linecheck.cli.scan import Scans

__all__ = ["Prompt"]


class Prompt:
    """Asks on standard error, and reads the answers from standard input.

    Parameters
    ----------
    scans : Scans, optional
        The lines of standard input, where something else reads them as well.
    """

    def __init__(self, scans: Scans | None = None) -> None:
        self._scans = scans

    def confirm(self, request: str) -> str | None:
        """Ask for a setting to be made and wait for Enter; return why it was not made, None where it was."""
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
            from linecheck.cli.scan import Scans

            _forget_typed(sys.stdin.fileno())
            self._scans = Scans(sys.stdin.fileno())
        return self._scans


def _forget_typed(descriptor: int) -> None:
    """Drop what was typed at a terminal before anything was asked: nobody has stamped it with its time."""
    with suppress(ImportError, OSError):
        import termios

        with suppress(termios.error):
            termios.tcflush(descriptor, termios.TCIFLUSH)
