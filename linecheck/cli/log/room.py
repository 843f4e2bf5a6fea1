"""``linecheck log status`` and ``linecheck log thin``: the room that a log takes, and what can be had back of it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import click

from linecheck.cli.display.messages import counted, overwritten_line, size_text
from linecheck.cli.options import LogPlace, log_options
from linecheck.errors import UsageError
from linecheck.files.text import visible

#: Where nothing was recorded for this long, the clock may be wrong by as much.
IDLE_DAYS = 30
MAX_DAYS = 36_500


@click.command("status")
@log_options
def status_command(place: LogPlace) -> None:
    """Show how large the log is, how fast it grows, and when its disk will be full."""
    from linecheck.log.archive.forecast import HORIZON_DAYS
    from linecheck.log.archive.free_space import disk_of
    from linecheck.log.growth import growth

    with place.reader() as log, log.reading() as connection:
        disk = disk_of(log.path)
        found = growth(connection, log.path, datetime.now(UTC).date(), disk.free_bytes)
    click.echo(f"{visible(str(log.path))}: {counted(found.runs, 'run')}, {size_text(found.file_bytes)}")
    if found.oldest is not None and found.newest is not None:
        click.echo(f"recorded from {visible(found.oldest[:10])} to {visible(found.newest[:10])}")
        click.echo(f"a run takes {size_text(found.run_bytes)}, most of it its curves")
    if found.thinned:
        click.echo(f"{counted(found.thinned, 'run')} without the points of curves (linecheck log thin)")
    if found.active_days:
        days = counted(found.active_days, "day")
        click.echo(f"grows by {size_text(found.day_bytes)} a day, by the last {days} with runs")
    else:
        click.echo("growth unknown: nothing was recorded lately")
    years = HORIZON_DAYS // 365
    full = f"on {found.full_on}" if found.full_on is not None else f"not within {years} years"
    click.echo(
        f"free on the disk: {size_text(disk.free_bytes)} of {size_text(disk.total_bytes)}; full {full}"
    )


@click.command("thin")
@log_options
@click.option(
    "--older-than",
    "days",
    type=click.IntRange(1, MAX_DAYS),
    required=True,
    metavar="DAYS",
    help="Thin passes that were recorded more than so many days ago.",
)
@click.option(
    "--keep-every",
    "every",
    type=click.IntRange(2, 1_000_000),
    default=20,
    metavar="N",
    help="Keep every N-th record whole.",
)
@click.option("--dry-run", is_flag=True, help="Only show what would be removed.")
@click.option(
    "--clock-is-right",
    is_flag=True,
    help=f"Go on although the newest record is more than {IDLE_DAYS} days old.",
)
def thin_command(place: LogPlace, days: int, every: int, dry_run: bool, clock_is_right: bool) -> None:
    """Remove the points of curves from old passes; their verdicts, readings, worst points and margins stay.

    Only released passes of units are thinned, not fails, golden or challenge units; every N-th record stays whole. This
    is stated in the log first, so that `log verify` tells it from tampering; `sync --thin` does the same at the server.
    The file does not get smaller: new runs fill the room. There is no way back: the points are gone.
    """
    now = datetime.now(UTC)
    with place.reader() as log:
        found = log.thinnable(now - timedelta(days=days), every)
        newest = next(iter(log.runs(limit=1)), None)
    if found is None:
        click.echo("nothing to thin")
        return
    said = f"{counted(found.records, 'record')}, {size_text(found.size_bytes)}"
    if dry_run:
        click.echo(f"would thin {said} (--dry-run)")
        return
    recorded = None if newest is None or newest.record is None else newest.record.recorded
    idle = recorded is not None and now - datetime.fromisoformat(recorded) > timedelta(days=IDLE_DAYS)
    if idle and not clock_is_right:
        raise UsageError(
            f"it is {now:%Y-%m-%d}, more than {IDLE_DAYS} days after the newest record, says this computer: is its "
            "clock right? Nothing was removed; --clock-is-right goes on"
        )
    station = "" if place.config is None else place.config.station
    with place.writer() as writer, overwritten_line() as show:
        removed = writer.thin(found, station, lambda records: show(f"thinned {records} of {found.records}"))
    click.echo(f"thinned {counted(removed, 'record')}, {size_text(found.size_bytes)} free for new runs")
