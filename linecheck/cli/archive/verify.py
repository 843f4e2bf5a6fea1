"""``linecheck archive verify`` and ``linecheck archive find``: whether all is there, and where a run is."""

from __future__ import annotations

import sys
from contextlib import ExitStack

import click

from linecheck.cli.archive.options import counted, meant_archive, size_text, station_option
from linecheck.cli.display.messages import tell
from linecheck.errors import ExitStatus, UsageError
from linecheck.files.text import visible

__all__ = ["find_command", "verify_command"]

_TOLD_EVERY = 1000


@click.command("verify")
@station_option
def verify_command(station_path: str) -> None:
    """Read every capture of the archive and hold it against its hash and the log.

    Names each capture that is missing or has other bytes than were archived, what belongs to no run,
    and each run of the station's log whose captures were kept and are missing without a statement that says so.

    Exit status: 0 all is as it was written, 2 a wrong command or file, 3 something is wrong.
    """
    from linecheck.log.archive.verify import verify_archive, verify_log_kept

    meant = meant_archive(station_path)
    scan, checked = verify_archive(meant.archive, _progress if sys.stderr.isatty() else None)
    with ExitStack() as stack:
        log = meant.log(stack)
        if log is None:
            checked.notes.append("the station has no log yet: nothing was held against it")
        else:
            verify_log_kept(meant.archive, scan, log, meant.station.station, checked)
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
        click.get_current_context().exit(ExitStatus.INVALID)
    click.echo("● all is as it was written")


def _progress(done: int, all_of_them: int) -> None:
    if done % _TOLD_EVERY == 0:
        click.echo(f"\rread {done} of {all_of_them} objects", err=True, nl=False)


@click.command("find")
@station_option
@click.argument("run", metavar="RUN")
def find_command(station_path: str, run: str) -> None:
    """Print where the captures of RUN are, which `linecheck judge` and others read.

    RUN is a run's id, or the first 8 characters of it or more; else its number in the log, or a serial number, of which
    the newest run is meant.
    """
    meant = meant_archive(station_path)
    found = meant.archive.find(run)
    if found is None:
        with ExitStack() as stack:
            log = meant.log(stack)
            if log is None:
                raise UsageError("the station has no log yet: give a run's whole id")
            run_id = str(log.stored([log.find(run)])[0].row["run_id"])
        found = meant.archive.find(run_id)
        if found is None:
            raise UsageError(f"no captures of run {run_id} are in {visible(str(meant.archive.folder))}")
    click.echo(str(found))
