"""``linecheck log outbox``: what waits to be handed over to the factory's own program."""

from __future__ import annotations

import json

import click

from linecheck.cli.display.messages import print_table, short_time, tell
from linecheck.cli.options import LogPlace, log_options
from linecheck.errors import ExitStatus, UsageError
from linecheck.log.outbox import Waiting

_HEADINGS = ("record", "serial", "verdict", "station", "since", "tries", "last try", "last answer")


@click.command("outbox")
@log_options
@click.option("--send", is_flag=True, help="First hand over what waits, with --station.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object per line for each run.")
def outbox_command(place: LogPlace, send: bool, as_json: bool) -> ExitStatus:
    """List the runs that wait to be handed over, the oldest first.

    Each waits until the command under [after] of its station has taken it, and those after it wait behind it. With
    --station only the runs of that station are listed.

    Exit status: 0 nothing waits, 2 a wrong command or file, 3 something does.
    """
    if send:
        _send(place)
    station = None if place.config is None else place.config.station
    with place.reader() as log:
        waiting = log.outbox(station)
    if as_json:
        for entry in waiting:
            click.echo(json.dumps(entry._asdict()))
    elif waiting:
        print_table(_HEADINGS, [_row(entry) for entry in waiting], right=(0, 5))
    else:
        click.echo("nothing waits to be handed over")
    return ExitStatus.INVALID if waiting else ExitStatus.PASS


def _send(place: LogPlace) -> None:
    """Hand over what waits, and say what came of it."""
    from linecheck.cli.display.console import Console
    from linecheck.line.hand_over import HandOver

    config = place.config
    if config is None or config.after is None:
        raise UsageError("--send: give --station with a config whose [after] names the command")
    with place.writer() as log:
        outcome = HandOver(log, config.station, config.after, Console()).all()
    if outcome == "busy":
        tell("another program is handing over at this moment: nothing was done")


def _row(entry: Waiting) -> tuple[str, ...]:
    return (
        str(entry.sequence),
        entry.serial,
        entry.verdict.upper(),
        entry.station,
        short_time(entry.recorded),
        str(entry.tries),
        "–" if entry.tried is None else short_time(entry.tried),
        entry.answer or "–",
    )
