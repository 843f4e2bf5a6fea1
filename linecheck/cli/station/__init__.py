"""``linecheck station``: let a station show that it may judge units, and say where it stands."""

from __future__ import annotations

import click

from linecheck.cli.lazy import LazyGroup

__all__ = ["command"]

#: command -> (place in this package, one-line help)
_COMMANDS = {
    "challenge": (
        "known_units:challenge_command",
        "Test a known bad unit: the station must fail it.",
    ),
    "check": ("check:check", "Check the station's own path against its loop."),
    "golden": (
        "known_units:golden_command",
        "Test a known good unit: it must read as before.",
    ),
    "status": ("status:status_command", "Show whether the station may judge units now."),
}


@click.group(name="station", cls=LazyGroup, package=__name__, lazy=_COMMANDS)
def command() -> None:
    """Verify the station and show its status."""
