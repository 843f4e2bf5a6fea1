"""``linecheck archive status``: what is kept, how fast it grows, and when the disk is full."""

from __future__ import annotations

from contextlib import ExitStack
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

import click

from linecheck.cli.archive.options import Meant, counted, meant_archive, size_text, station_option
from linecheck.errors import ExitStatus

if TYPE_CHECKING:
    from linecheck.log.archive import Scan
    from linecheck.log.archive.forecast import Forecast
    from linecheck.log.archive.free_space import Disk
    from linecheck.log.archive.retention import Retention

__all__ = ["status_command"]


@click.command("status")
@station_option
def status_command(station_path: str) -> None:
    """Say what captures are kept, how fast they become more, and when the disk or the archive's limit is reached.

    Exit status: 0 the disk has its reserve, 2 a wrong command or file, 3 it has not, or a run cannot be read.
    """
    from linecheck.history.named import named_runs
    from linecheck.log.archive.free_space import disk_of
    from linecheck.log.archive.retention import GIGABYTE, removals, retention

    meant = meant_archive(station_path)
    scan = meant.archive.scan()
    with ExitStack() as stack:
        named = named_runs(scan.entries, meant.log(stack), meant.policy.baselines)
    disk = disk_of(meant.archive.folder)
    policy = retention(meant.policy, named, disk.free_bytes)
    now = datetime.now(UTC)
    _show_kept(scan, policy)
    due = removals(scan.entries, policy, now)
    if due:
        freed = size_text(sum(removal.entry.size_bytes for removal in due))
        click.echo(f"due to be removed: {counted(len(due), 'run')}, {freed} (linecheck archive retain)")
    reserve = round(meant.policy.reserve_gigabytes * GIGABYTE)
    _show_growth(meant, scan, policy, now.date(), disk)
    click.echo(
        f"free on the disk: {size_text(disk.free_bytes)} of {size_text(disk.total_bytes)}; "
        f"the reserve is {size_text(reserve)}"
    )
    short = disk.free_bytes < reserve
    if short:
        click.echo(f"✖ the reserve lacks {size_text(reserve - disk.free_bytes)}: runs are refused")
    for damaged in scan.damaged:
        click.echo(f"✖ {damaged}")
    wrong = short or bool(scan.damaged)
    click.get_current_context().exit(ExitStatus.INVALID if wrong else ExitStatus.PASS)


def _show_kept(scan: Scan, policy: Retention) -> None:
    from linecheck.cli.display.tables import print_table
    from linecheck.log.archive.forecast import by_class
    from linecheck.log.archive.retention import total_bytes

    totals = by_class(scan.entries, policy)
    if not totals:
        click.echo("no captures are kept yet")
        return
    rows = []
    for total in totals:
        days = policy.keep_days.get(total.kept_class)
        rows.append(
            (
                total.kept_class,
                str(total.runs),
                size_text(total.size_bytes),
                f"{total.oldest:%Y-%m-%d}",
                f"{total.newest:%Y-%m-%d}",
                "always" if days is None else f"{days} days",
            )
        )
    print_table(("class", "runs", "bytes", "oldest", "newest", "kept for"), rows, right=(1, 2))
    limit = "" if policy.most_bytes is None else f" of {size_text(policy.most_bytes)} at most"
    click.echo(f"\nall: {counted(len(scan.entries), 'run')}, {size_text(total_bytes(scan.entries))}{limit}")


def _show_growth(meant: Meant, scan: Scan, policy: Retention, today: date, disk: Disk) -> None:
    from linecheck.log.archive.forecast import HORIZON_DAYS, forecast
    from linecheck.log.archive.retention import GIGABYTE

    reserve = round(meant.policy.reserve_gigabytes * GIGABYTE)
    ahead = forecast(scan.entries, policy, today, disk.free_bytes, reserve)
    if not ahead.active_days:
        click.echo("how fast it grows is not known: nothing was kept lately")
        return
    days = counted(ahead.active_days, "day")
    click.echo(
        f"grows by {size_text(ahead.bytes_per_day)} a day, taken from the last {days} on which anything was kept"
    )
    for line in _outlook(ahead, policy, today, HORIZON_DAYS // 365):
        click.echo(line)


def _outlook(ahead: Forecast, policy: Retention, today: date, years: int) -> list[str]:
    def told(when: date | None) -> str:
        if when is None:
            return f"not within {years} years"
        return f"on {when}" if when > today else "now"

    lines = [
        f"the disk comes to its reserve: {told(ahead.reserve_without)} if nothing is removed, "
        f"{told(ahead.reserve_with)} with what retention removes"
    ]
    if policy.most_bytes is not None:
        lines.append(
            f"the archive comes to its limit: {told(ahead.limit_without)} if nothing is removed, "
            f"{told(ahead.limit_with)} with what is removed by age"
        )
    return lines
