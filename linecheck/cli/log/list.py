"""``linecheck log list``: the runs in a log, a page at a time."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from typing import TYPE_CHECKING

import click

from linecheck.cli.display.tables import print_table
from linecheck.cli.log.filters import filter_options
from linecheck.cli.log.options import log_options, opened_log, short_time
from linecheck.files.text import visible

if TYPE_CHECKING:
    from linecheck.log import LoggedRun, LogReader, RunFilter

__all__ = ["list_command"]

MOST_LISTED = 100_000
#: Runs that judged the station are counted up to here.
_MOST_COUNTED = 1000


@click.command("list")
@log_options
@filter_options
@click.option(
    "--limit", type=click.IntRange(1, MOST_LISTED), default=20, show_default=True, help="At most so many."
)
@click.option(
    "--before", type=click.IntRange(1), default=None, help="Only records before this one: the next page."
)
@click.option("--json", "as_json", is_flag=True, help="A JSON object on a line of its own for each run.")
def list_command(
    log: str | None,
    station: str | None,
    wanted: RunFilter,
    limit: int,
    before: int | None,
    as_json: bool,
) -> None:
    """List the runs in the log, the newest first.

    Runs of golden and challenge units are listed with --purpose only. A page that is full ends with how to ask for the
    next; pages stay as they are while a station adds to the log.
    """
    with opened_log(log, station) as opened:
        runs = opened.runs(wanted, limit=limit + 1, before=before)
        more, runs = len(runs) > limit, runs[:limit]
        if as_json:
            for run in runs:
                click.echo(json.dumps(asdict(run), allow_nan=False))
        elif runs:
            _print_runs(runs, wanted)
        else:
            click.echo("no such run is in the log")
        _tell(opened, wanted, runs, before, more)


def _print_runs(runs: tuple[LoggedRun, ...], wanted: RunFilter) -> None:
    headings = ["record", "finished (UTC)", "serial", "model", "attempt", "verdict", "firmware", "station"]
    rows = [_row(run) for run in runs]
    further = [
        name for name in ("lot", "work_order", "variant", "shift", "nest", "operator") if _tells(runs, name)
    ]
    if wanted.purpose is None:
        further.insert(0, "purpose")
    for name in further:
        headings.append(name.replace("_", " "))
        for row, run in zip(rows, runs, strict=True):
            row.append(getattr(run, name) or "–")
    print_table(headings, rows, right=(0, 4))


def _tells(runs: tuple[LoggedRun, ...], name: str) -> bool:
    """Return whether a column says anything: runs differ in it."""
    return len({getattr(run, name) for run in runs}) > 1


def _row(run: LoggedRun) -> list[str]:
    return [
        str(run.sequence),
        short_time(run.finished),
        run.serial,
        run.model,
        str(run.attempt),
        run.verdict.upper(),
        run.firmware or "–",
        run.station or "–",
    ]


def _tell(
    opened: LogReader, wanted: RunFilter, runs: tuple[LoggedRun, ...], before: int | None, more: bool
) -> None:
    """Say on standard error what is not on the page."""
    if more:
        click.echo(f"linecheck: there are more: --before {runs[-1].sequence} lists the next page", err=True)
    if wanted.purpose != "unit":
        return
    last = runs[-1].sequence - 1 if more else 0
    others = sum(
        len(
            opened.sequences(replace(wanted, purpose=purpose), before=before, after=last, limit=_MOST_COUNTED)
        )
        for purpose in ("golden", "challenge")
    )
    if others:
        count = f"{_MOST_COUNTED} or more" if others >= _MOST_COUNTED else str(others)
        noun = (
            "run of a golden or challenge unit is"
            if others == 1
            else "runs of golden and challenge units are"
        )
        click.echo(visible(f"linecheck: {count} {noun} left out: --purpose all lists them"), err=True)
