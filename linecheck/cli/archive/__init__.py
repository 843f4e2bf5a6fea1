"""``linecheck archive``: what captures are kept, what is removed of them, and whether all is there."""

from __future__ import annotations

import click

from linecheck.cli.archive.retain import retain_command
from linecheck.cli.archive.status import status_command
from linecheck.cli.archive.verify import find_command, verify_command

__all__ = ["command"]


@click.group(name="archive")
def command() -> None:
    """Say what captures a station keeps, remove what is past its time, and verify that all is there."""


command.add_command(find_command)
command.add_command(retain_command)
command.add_command(status_command)
command.add_command(verify_command)
