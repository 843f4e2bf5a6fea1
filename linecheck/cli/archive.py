"""``linecheck archive``: what captures are kept, what is removed of them, and whether all is there."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from contextlib import ExitStack, nullcontext
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import click

from linecheck.cli.display.messages import counted, overwritten_line, print_table, size_text, tell
from linecheck.cli.options import collected, limit_option, log_reader, station_file_option
from linecheck.errors import ExitStatus, RecordError, UsageError
from linecheck.files.text import visible
from linecheck.history.referenced import referenced_runs
from linecheck.log import Log
from linecheck.log.archive import Archive, Scan
from linecheck.log.archive.forecast import HORIZON_DAYS, by_class, forecast
from linecheck.log.archive.free_space import Disk, disk_of
from linecheck.log.archive.removal import CAPTURES_REMOVED, Removed, refuse_damaged, remove
from linecheck.log.archive.retention import GIGABYTE, Removal, Retention, removals, retention, total_bytes
from linecheck.log.archive.verify import verify_archive, verify_log_kept
from linecheck.station.config.archive import ArchiveConfig
from linecheck.station.config.load import load_station
from linecheck.station.config.station import StationConfig

#: Where nothing was kept for this long, the clock may be wrong by as much.
IDLE_DAYS = 30
_SHOWN_EVERY = 1000


@click.group(name="archive")
def command() -> None:
    """Show what captures a station keeps, remove expired ones, and verify the rest."""


@dataclass(frozen=True)
class _Kept:
    """A station's archive, what its config says of it, and what is in it."""

    station: StationConfig
    policy: ArchiveConfig
    archive: Archive

    def retention(self, scan: Scan) -> tuple[Retention, Disk]:
        """Return what is kept for how long, given the disk and what baselines and sign-offs name."""
        with log_reader(self.station) or nullcontext() as log:
            named = referenced_runs(scan.entries, log, self.policy.baselines)
        disk = disk_of(self.archive.folder)
        return retention(self.policy, named, disk.free_bytes), disk


def _kept(station_path: str) -> _Kept:
    """Return the archive of a station.

    Raises
    ------
    FileError
        The station config cannot be read.
    UsageError
        The station has none.
    """
    config = load_station(station_path).config
    if config.archive is None:
        raise UsageError(f"station {config.station} keeps no archive: {station_path} has no [archive]")
    return _Kept(config, config.archive, Archive(Path(config.archive.folder)))


_station_option = collected(
    [station_file_option(required=True, help="Station config (TOML) with the [archive].")], "kept", _kept
)


@command.command("status")
@_station_option
def status_command(kept: _Kept) -> ExitStatus:
    """Show what captures are kept, how fast they grow, and when the disk or the archive's limit will be full.

    Exit status: 0 the disk has its reserve, 2 a wrong command or file, 3 it has not, or a run cannot be read.
    """
    scan = kept.archive.scan()
    policy, disk = kept.retention(scan)
    now = datetime.now(UTC)
    _show_kept(scan, policy)
    due = removals(scan.entries, policy, now)
    if due:
        freed = size_text(sum(removal.entry.size_bytes for removal in due))
        click.echo(f"due to be removed: {counted(len(due), 'run')}, {freed} (linecheck archive retain)")
    reserve = round(kept.policy.reserve_gigabytes * GIGABYTE)
    _show_growth(scan, policy, now.date(), disk, reserve)
    click.echo(
        f"free on the disk: {size_text(disk.free_bytes)} of {size_text(disk.total_bytes)}; "
        f"the reserve is {size_text(reserve)}"
    )
    short = disk.free_bytes < reserve
    if short:
        click.echo(f"✖ the reserve lacks {size_text(reserve - disk.free_bytes)}: runs are refused")
    for damaged in scan.damaged:
        click.echo(f"✖ {damaged}")
    return ExitStatus.INVALID if short or scan.damaged else ExitStatus.PASS


def _show_kept(scan: Scan, policy: Retention) -> None:

    totals = by_class(scan.entries, policy)
    if not totals:
        click.echo("no captures are kept yet")
        return
    kept = {name: f"{days} days" for name, days in policy.keep_days.items() if days is not None}
    rows = [
        (
            total.kept_class,
            str(total.runs),
            size_text(total.size_bytes),
            f"{total.oldest:%Y-%m-%d}",
            f"{total.newest:%Y-%m-%d}",
            kept.get(total.kept_class, "always"),
        )
        for total in totals
    ]
    print_table(("class", "runs", "bytes", "oldest", "newest", "kept for"), rows, right=(1, 2))
    limit = "" if policy.most_bytes is None else f" of {size_text(policy.most_bytes)} at most"
    click.echo(f"\nall: {counted(len(scan.entries), 'run')}, {size_text(total_bytes(scan.entries))}{limit}")


def _show_growth(scan: Scan, policy: Retention, today: date, disk: Disk, reserve: int) -> None:

    ahead = forecast(scan.entries, policy, today, disk.free_bytes, reserve)
    if not ahead.active_days:
        click.echo("growth unknown: nothing was kept lately")
        return
    days = counted(ahead.active_days, "day")
    click.echo(
        f"grows by {size_text(ahead.bytes_per_day)} a day, taken from the last {days} on which anything was kept"
    )

    def told(when: date | None) -> str:
        if when is None:
            return f"not within {HORIZON_DAYS // 365} years"
        return f"on {when}" if when > today else "now"

    click.echo(
        f"the disk reaches its reserve: {told(ahead.reserve_without)} if nothing is removed, "
        f"{told(ahead.reserve_with)} with what retention removes"
    )
    if policy.most_bytes is not None:
        click.echo(
            f"the archive reaches its limit: {told(ahead.limit_without)} if nothing is removed, "
            f"{told(ahead.limit_with)} with what is removed by age"
        )


@command.command("retain")
@_station_option
@click.option("--dry-run", is_flag=True, help="Only show what would be removed.")
@limit_option("List at most this many runs.", least=0)
@click.option(
    "--clock-is-right",
    is_flag=True,
    help=f"Remove by age although the newest run is more than {IDLE_DAYS} days old.",
)
def retain_command(kept: _Kept, dry_run: bool, limit: int, clock_is_right: bool) -> ExitStatus:
    """Remove captures that have expired or that exceed the limit, by the rules of the station's [archive].

    Each removal is stated in the station's log before it is made, run by run with its captures; the records of the runs
    stay, with the hash of every capture. The station may go on testing meanwhile.

    Exit status: 0 all that is due was removed (or nothing is), 2 a wrong command or file, 3 something could not be.
    """
    scan = kept.archive.scan()
    refuse_damaged(scan)
    now = datetime.now(UTC)
    policy, _ = kept.retention(scan)
    due = removals(scan.entries, policy, now)
    idle = _look_at_clock(scan, now)
    _show_due(due, limit)
    if dry_run:
        click.echo("nothing was removed (--dry-run)")
    if dry_run or not kept.archive.folder.exists():
        return ExitStatus.PASS
    if due and idle and not clock_is_right:
        raise UsageError(
            f"it is {now:%Y-%m-%d}, more than {IDLE_DAYS} days after the newest run of the archive, says this "
            "computer: is its clock right? Nothing was removed; --clock-is-right removes what is listed"
        )
    removed = _removed(kept, scan, due, policy)
    for failure in removed.failed:
        tell(failure)
    freed = size_text(removed.size_bytes)
    click.echo(f"removed {counted(removed.runs, 'run')}, {counted(removed.captures, 'capture')}, {freed}")
    return ExitStatus.INVALID if removed.failed else ExitStatus.PASS


def _removed(kept: _Kept, scan: Scan, due: Sequence[Removal], policy: Retention) -> Removed:
    """Remove what is due, each batch stated in the log before."""
    with ExitStack() as stack:
        opened: list[Log] = []

        def state(content: Mapping[str, Any]) -> None:
            if not opened:
                opened.append(stack.enter_context(Log.of_station(kept.station)))
            try:
                opened[0].state(CAPTURES_REMOVED, kept.station.station, content)
            except RecordError as error:
                raise RecordError(f"{error}. No more captures were removed") from error

        return remove(kept.archive, scan, due, policy, state)


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


@command.command("verify")
@_station_option
def verify_command(kept: _Kept) -> ExitStatus:
    """Read every capture of the archive and compare it with its hash and the log.

    Names each capture that is missing or has other bytes than were archived, everything that belongs to no run, and
    each run of the station's log whose captures were kept and are missing without a statement that says so.

    Exit status: 0 all is as it was written, 2 a wrong command or file, 3 something is wrong.
    """
    with overwritten_line() as show:

        def progress(done: int, total: int) -> None:
            if done % _SHOWN_EVERY == 0:
                show(f"read {done} of {total} captures")

        scan, checked = verify_archive(kept.archive, progress)
    with log_reader(kept.station) or nullcontext() as log:
        if log is None:
            checked.notes.append("the station has no log yet: there is nothing to compare with")
        else:
            verify_log_kept(kept.archive, scan, log, kept.station.station, checked)
    for note in checked.notes:
        tell(note)
    for wrong in checked.wrong:
        click.echo(f"✖ {visible(wrong)}")
    click.echo(
        f"{counted(checked.captures, 'capture')} ({size_text(checked.size_bytes)}) of "
        f"{counted(checked.runs, 'run')}; the log has {counted(checked.log_runs, 'run')} whose captures were kept, "
        f"and says of {checked.removed_runs} that they were removed"
    )
    if checked.wrong:
        click.echo(f"✖ {counted(len(checked.wrong), 'fault')}")
        return ExitStatus.INVALID
    click.echo("● the archive is intact")
    return ExitStatus.PASS


@command.command("find")
@_station_option
@click.argument("run", metavar="RUN")
def find_command(kept: _Kept, run: str) -> None:
    """Print the folder of the captures of RUN, a capture set that `linecheck judge` and others read.

    RUN is a run's id, or the first 8 characters of it or more; else its number in the log, or a serial number, of which
    the newest run is meant.
    """
    found = kept.archive.find(run)
    if found is None:
        with log_reader(kept.station) or nullcontext() as log:
            if log is None:
                raise UsageError("the station has no log yet: give a run's whole id")
            run_id = str(log.stored([log.find(run)])[0].row["run_id"])
        found = kept.archive.find(run_id)
        if found is None:
            raise UsageError(f"no captures of run {run_id} are in {visible(str(kept.archive.folder))}")
    click.echo(str(found))
