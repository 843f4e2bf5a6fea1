"""``linecheck archive retain``: remove captures that are past their time, or that there is no room for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import click

from linecheck.cli.archive.options import Meant, counted, meant_archive, size_text, station_option
from linecheck.cli.display.messages import tell
from linecheck.errors import ExitStatus, RecordError, UsageError

if TYPE_CHECKING:
    from linecheck.log.archive import Scan
    from linecheck.log.archive.removal import Removed
    from linecheck.log.archive.retention import Removal, Retention

__all__ = ["retain_command"]

#: So many runs are listed one by one.
MAX_LISTED = 100_000
#: Where nothing was kept for so long, the clock may be wrong by as much.
IDLE_DAYS = 30


@click.command("retain")
@station_option
@click.option("--dry-run", is_flag=True, help="Say what would be removed, and remove nothing.")
@click.option(
    "--limit",
    type=click.IntRange(0, MAX_LISTED),
    default=20,
    show_default=True,
    help="List at most so many runs.",
)
@click.option(
    "--clock-is-right",
    is_flag=True,
    help=f"Remove by age although the newest run is more than {IDLE_DAYS} days old.",
)
def retain_command(station_path: str, dry_run: bool, limit: int, clock_is_right: bool) -> None:
    """Remove the captures that are past their time, or that there is no room for, as the station's [archive] says.

    What is removed is stated in the station's log before it is, run by run with its captures; the records of the runs
    stay, and still say the hash of every capture. Stations may test meanwhile.

    Exit status: 0 all that is due was removed (or nothing is), 2 a wrong command or file, 3 something could not be.
    """
    from linecheck.history.named import named_runs
    from linecheck.log.archive.free_space import disk_of
    from linecheck.log.archive.removal import refuse_damaged
    from linecheck.log.archive.retention import removals, retention

    meant = meant_archive(station_path)
    scan = meant.archive.scan()
    refuse_damaged(scan)
    now = datetime.now(UTC)
    with ExitStack() as stack:
        named = named_runs(scan.entries, meant.log(stack), meant.policy.baselines)
    policy = retention(meant.policy, named, disk_of(meant.archive.folder).free_bytes)
    due = removals(scan.entries, policy, now)
    idle = _look_at_clock(scan, now)
    _show_due(due, limit)
    if dry_run:
        click.echo("nothing was removed (--dry-run)")
        return
    if not meant.archive.folder.exists():
        return
    if due and idle and not clock_is_right:
        raise UsageError(
            f"it is {now:%Y-%m-%d}, more than {IDLE_DAYS} days after the newest run of the archive, says this "
            "computer: is its clock right? Nothing was removed; --clock-is-right removes what is listed"
        )
    removed = _removed(meant, scan, due, policy)
    for failure in removed.failed:
        tell(failure)
    freed = size_text(removed.size_bytes)
    click.echo(f"removed {counted(removed.runs, 'run')}, {counted(removed.captures, 'capture')}, {freed}")
    click.get_current_context().exit(ExitStatus.INVALID if removed.failed else ExitStatus.PASS)


def _removed(meant: Meant, scan: Scan, due: Sequence[Removal], policy: Retention) -> Removed:
    """Remove what is due, each batch stated in the log before."""
    from linecheck.log import Log
    from linecheck.log.archive.removal import CAPTURES_REMOVED, remove

    with ExitStack() as stack:
        opened: list[Log] = []

        def state(content: Mapping[str, Any]) -> None:
            if not opened:
                opened.append(stack.enter_context(Log.of_station(meant.station)))
            try:
                opened[0].state(CAPTURES_REMOVED, meant.station.station, content)
            except RecordError as error:
                raise RecordError(f"{error}. No more captures were removed") from error

        return remove(meant.archive, scan, due, policy, state)


def _look_at_clock(scan: Scan, now: datetime) -> bool:
    """Say where the clock is behind; return whether it may be far ahead."""
    newest = max((entry.started for entry in scan.entries), default=now)
    if newest > now:
        tell(
            f"the newest run of the archive is from {newest:%Y-%m-%d %H:%M} UTC, after the time of this computer: put "
            "the clock right. Nothing is removed too early by that"
        )
    return now - newest > timedelta(days=IDLE_DAYS)


def _show_due(due: Sequence[Removal], limit: int) -> None:
    from linecheck.cli.display.tables import print_table

    if not due:
        click.echo("nothing is due to be removed")
        return
    rows = [
        (
            removal.entry.run_id[:8],
            f"{removal.entry.started:%Y-%m-%d %H:%M}",
            removal.entry.serial,
            removal.entry.kept_class,
            size_text(removal.entry.size_bytes),
            removal.why,
        )
        for removal in due[:limit]
    ]
    if rows:
        print_table(("run", "started (UTC)", "serial", "class", "frees", "why"), rows, right=(4,))
    if len(due) > limit:
        click.echo(f"and {len(due) - limit} more (--limit)")
    for why, runs in Counter(removal.why for removal in due).items():
        freed = sum(removal.entry.size_bytes for removal in due if removal.why == why)
        click.echo(f"{counted(runs, 'run')}, {size_text(freed)}: {why}")
