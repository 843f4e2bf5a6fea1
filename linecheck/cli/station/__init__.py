"""``linecheck station``: let a station show that it may judge units, and say where it stands."""

from __future__ import annotations

import click

from linecheck.cli.station.challenge import challenge_command
from linecheck.cli.station.check import check
from linecheck.cli.station.golden import golden_command
from linecheck.cli.station.status import status_command

__all__ = ["command"]


@click.group(name="station")
def command() -> None:
    """Verify the station, and say where it stands."""


command.add_command(check)
command.add_command(golden_command)
command.add_command(challenge_command)
command.add_command(status_command)
