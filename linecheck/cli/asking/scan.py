"""Serial numbers on standard input: a barcode scanner is a keyboard that ends with Enter."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import TYPE_CHECKING

import click

from linecheck.cli.asking.input_lines import Scans
from linecheck.errors import ExitStatus
from linecheck.line.scan import Scan, scan_units
from linecheck.line.stop_signals import StopSignals

if TYPE_CHECKING:
    from linecheck.cli.asking.prompt import Prompt
    from linecheck.line.session import Session
    from linecheck.line.unit_facts import UnitFacts

__all__ = ["scan_on_input"]


def scan_on_input(
    session: Session, facts: UnitFacts, prompt: Prompt, between: Callable[[], None]
) -> ExitStatus:
    """Test unit after unit until the input ends or someone stops the prompt; ``between`` is called before each."""
    scans = prompt.read(sys.stdin.fileno())

    def next_scan() -> Scan | None:
        between()
        return _prompt(scans)

    return scan_units(session, facts, next_scan, attended=sys.stdin.isatty())


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
