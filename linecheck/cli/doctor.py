"""``linecheck doctor``: what this machine lacks, and how to get it."""

from __future__ import annotations

import json

import click

from linecheck.cli.display.messages import one_line
from linecheck.cli.options import station_file_option
from linecheck.doctor.examine import examine
from linecheck.doctor.finding import State, cure_here
from linecheck.errors import ExitStatus
from linecheck.station.config.load import load_station

_MARKS = {State.OK: "●", State.NOTE: "○", State.MISSING: "✖", State.UNKNOWN: "?"}


@click.command(name="doctor")
@station_file_option(help="Station config: what it needs must be there.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def command(station_path: str | None, as_json: bool) -> ExitStatus:
    """Tell what this machine has and lacks: sound, rights, clock, room, Chromium, packages; nothing is played.

    Exit status: 0 nothing that is needed is missing, 2 a wrong command or file, 3 something is.
    """
    config = None if station_path is None else load_station(station_path).config
    found = list(examine(config))
    if as_json:
        rows = [
            {"name": each.name, "state": each.state, "text": each.text, "cure": cure_here(each)}
            for each in found
        ]
        click.echo(json.dumps(rows, ensure_ascii=False, indent=1))
    else:
        for each in found:
            click.echo(f"{_MARKS[each.state]} {each.name}: {one_line(each.text)}")
            if each.state is not State.OK and cure_here(each):
                click.echo(f"    {cure_here(each)}")
    missing = any(each.state is State.MISSING for each in found)
    return ExitStatus.INVALID if missing else ExitStatus.PASS
