"""``linecheck log rejudge``: stored runs, judged once more by another limit file or from their captures."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import click

from linecheck.captures.capture_set import INDEX_NAME
from linecheck.cli.display.console import Console
from linecheck.cli.display.progress import counting_bar, shows_bars
from linecheck.cli.display.rejudge import show_tally
from linecheck.cli.log.filters import filter_options
from linecheck.cli.options import (
    LogPlace,
    limit_option,
    limits_by_model,
    limits_files_option,
    log_options,
    workers_option,
)
from linecheck.cli.sources import capture_finders
from linecheck.errors import ExitStatus, FileError, UsageError
from linecheck.history.rejudge.remeasure import (
    NO_CAPTURES,
    Found,
    remeasure,
    with_captures,
)
from linecheck.history.rejudge.select import choose, newest_limit_files, opened
from linecheck.history.rejudge.tally import ChangedRun, RejudgedFile, Tally
from linecheck.history.rejudge.what_if import Wanted, what_if
from linecheck.limits.loading.load import load_limits
from linecheck.limits.model import LimitFile
from linecheck.line.sets import opened_workers
from linecheck.log import LogReader, RunFilter
from linecheck.log.connect import database_path
from linecheck.results.files import ResultFiles


@click.command("rejudge")
@log_options
@limits_files_option(
    help="Judge by this limit file; for runs of several models one for each [default: the one that judged the newest "
    "run, as it is now].",
)
@filter_options
@click.option("--remeasure", is_flag=True, help="Measure the kept captures again and judge them.")
@click.option(
    "--archive",
    metavar="DIR",
    help="With --remeasure: the archive of captures [default: the station's, or archive in DIR of --results].",
)
@click.option(
    "--results",
    metavar="DIR",
    help="With --remeasure: where runs left their files [default: the station's, or the folder of the log].",
)
@workers_option("With --remeasure: measure")
@click.option("--json", "json_path", metavar="FILE", help="Write the full result to FILE, as JSON.")
@limit_option("List at most this many units.", least=0)
def rejudge_command(
    place: LogPlace,
    limits_paths: tuple[str, ...],
    wanted: RunFilter,
    remeasure: bool,
    archive: str | None,
    results: str | None,
    workers: int | None,
    json_path: str | None,
    limit: int,
) -> ExitStatus:
    """Judge stored runs by another limit file; the log stays as it is.

    Without --remeasure the readings and curves in the log are judged. A check whose stimulus, setup or analysis has
    changed since a run would have measured something else: such runs cannot be judged, and are counted apart. Curves
    take time where a mask judges them; everything else is quick.

    With --remeasure the kept captures are measured and judged by this linecheck, and compared with what was stored.

    Exit status: 0 every run was judged and nothing changes, 1 something changes, 2 a wrong command or file (nothing was
    judged), 3 nothing changes as far as can be told, and some runs, or all, cannot be.
    """
    if not remeasure and (archive is not None or results is not None or workers is not None):
        raise UsageError("--archive, --results and --workers are for --remeasure")
    location = place.path
    limits = _limits(location, limits_paths, wanted)
    with _written(json_path, location, limits, remeasure=remeasure) as file:
        listing = _Listing(file, limit)
        if remeasure:
            found = with_captures(
                database_path(location), limits, wanted, capture_finders(place, archive, results)
            )
            tally = _remeasured(location, limits, found, workers, listing)
        else:
            with _progress() as progress:
                told = Wanted(listing.hear, newest_only=file is None, progress=progress)
                tally = what_if(database_path(location), limits, wanted, told)
        if file is not None:
            file.finish(tally)
    show_tally(tally, limits, listing.units)
    if tally.changed or (tally.remeasured is not None and tally.remeasured.readings):
        return ExitStatus.FAIL
    return ExitStatus.PASS if tally.judged and not tally.untold else ExitStatus.INVALID


def _limits(location: str, paths: Sequence[str], wanted: RunFilter) -> tuple[LimitFile, ...]:
    """Return the limit files, one for each model: those that are given, or those that judged the newest runs."""
    with opened(database_path(location)) as reader:
        if paths:
            return limits_by_model(paths)
        stored = newest_limit_files(reader, choose(reader, wanted))
    return tuple(_as_it_is_now(model, name) for model, name in stored.items())


def _as_it_is_now(model: str, name: str) -> LimitFile:
    """Load the limit file that a run was judged by."""
    if not os.path.isfile(name):
        raise FileError(
            name, f"judged the newest run of {model} and is not there (from this folder): give --limits FILE"
        )
    found = load_limits(name)
    if found.model != model:
        raise FileError(
            name, f"judged the newest run of {model} and is of {found.model} now: give --limits FILE"
        )
    return found


@contextmanager
def _written(
    path: str | None, location: str, limits: Sequence[LimitFile], *, remeasure: bool
) -> Iterator[RejudgedFile | None]:
    """Give the file that is to be written; it is left as it was unless it is finished."""
    if path is None:
        yield None
        return

    place = Path(path)
    database = database_path(location)
    beside = [database.with_name(database.name + suffix) for suffix in ("", "-wal", "-shm")]
    # Captures are evidence: nothing is written among them.
    sets = [place.parent] if (place.parent / INDEX_NAME).exists() else []
    ResultFiles({"json": place}).check((*sets, *beside, *(entry.path for entry in limits)))
    by = "captures" if remeasure else "stored readings"
    file = RejudgedFile(place, location, limits, by)
    try:
        yield file
    finally:
        file.abandon()


class _Listing:
    """Keeps the first units that there is something to tell of, and writes every run where a file is wanted.

    Parameters
    ----------
    file : RejudgedFile or None
    most : int
        So many units are kept.
    """

    def __init__(self, file: RejudgedFile | None, most: int) -> None:
        self.file = file
        self._most = most
        self.units: list[ChangedRun] = []

    def hear(self, run: ChangedRun) -> bool:
        """Take a run; return whether more are wanted."""
        if self.file is not None:
            self.file.add(run)
        told = run.after is not None or (run.why and run.why != NO_CAPTURES)
        if run.newest and len(self.units) < self._most and told:
            self.units.append(run)
        return self.file is not None or len(self.units) < self._most


def _remeasured(
    location: str, limits: Sequence[LimitFile], found: Found, workers: int | None, listing: _Listing
) -> Tally:
    """Measure captures anew, several sets at a time."""
    console = Console()
    with (
        LogReader(location) as log,
        opened_workers(max(len(found.folders), 1), console, workers=workers) as (staff, stopped),
    ):
        return remeasure(log, limits, found, staff, listing.hear, listener=console, stopped=stopped)


@contextmanager
def _progress() -> Iterator[Callable[[int, int], None]]:
    """Give what shows on a terminal how many runs are judged."""
    if not shows_bars():
        yield lambda done, total: None
        return
    with counting_bar() as bar:
        task = bar.add_task("", total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)
