"""``linecheck log files``: the result files of runs, made anew from their records."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime
from pathlib import Path
from typing import Final

import click

from linecheck.cli.display.messages import tell
from linecheck.cli.log.filters import filter_options_of_all
from linecheck.cli.options import LogPlace, log_options
from linecheck.errors import FileError, UsageError
from linecheck.files.text import visible
from linecheck.files.write import write_atomically
from linecheck.log import LogReader, RunFilter
from linecheck.log.stored import Head
from linecheck.results.files import contents, run_files, run_folder
from linecheck.results.formats.base import OneRun
from linecheck.run.model import Run

_AT_ONCE = 500
#: By format, what its records do not say and newer files do.
_OLDER_FORMATS: Final[Mapping[int, str]] = {
    1: "which values are bounds, how the unit was set, and what newer records say of unit, lot, station and assets",
    2: "what newer records say of unit, lot, station and assets",
}
#: What becomes of a file that is there and says something else than the record.
_LEAVES_WHAT_IS_THERE, _REFUSES_OTHERS, _REPLACES = "leave", "refuse", "replace"


@click.command("files")
@click.argument("runs", metavar="[RUN]...", nargs=-1)
@log_options
@click.option(
    "--missing", is_flag=True, help="All runs with a file missing from the folder; existing files stay."
)
@click.option("--out", metavar="FOLDER", help="Folder of the runs' files [default: the station's].")
@click.option("--strict", is_flag=True, help="As `run --strict`: marginal is a failure in JUnit.")
@click.option("--replace", is_flag=True, help="Overwrite files that differ.")
@filter_options_of_all
def files_command(
    place: LogPlace,
    runs: tuple[str, ...],
    missing: bool,
    out: str | None,
    strict: bool,
    replace: bool,
    wanted: RunFilter,
) -> None:
    """Rewrite result.json and junit.xml of runs from their records, where `run` would have written them.

    For runs that were killed between their record and their files (--missing, perhaps of some days only: --since), or
    for a RUN: its id, the first 8 characters of it, or its number in the log. The files have the same bytes as those of
    the run itself, if --strict is as it was, which is not recorded.
    """
    if bool(runs) == missing:
        raise UsageError("name runs, or give --missing")
    if missing and replace:
        raise UsageError(
            "--missing leaves what is there: name the runs whose files --replace is to write anew"
        )
    folder = Path(_folder(out, place))
    with place.reader() as opened:
        found = _missing(opened, wanted, folder) if missing else map(opened.find, runs)
        leave = _LEAVES_WHAT_IS_THERE if missing else _REPLACES if replace else _REFUSES_OTHERS
        written = sum(_write(opened.record(sequence), folder, strict, leave) for sequence in found)
    if not written:
        click.echo("no file was missing" if missing else "all files are there, as the records say")


def _folder(out: str | None, place: LogPlace) -> str:
    if out is not None:
        return out
    if place.config is None:
        raise UsageError(
            "--out: say in which folder the files of all runs are, or name the station (--station)"
        )
    return place.config.records.folder


def _missing(opened: LogReader, wanted: RunFilter, folder: Path) -> Iterator[int]:
    """Yield the numbers of runs whose files are not both there, the oldest first."""
    end, after = opened.head().sequence + 1, 0
    while True:
        found = opened.sequences(wanted, limit=_AT_ONCE, before=end, after=after, oldest_first=True)
        if not found:
            return
        with opened.understood():
            rows = [record.row for record in opened.stored(found)]
            folders = [
                run_folder(row["serial"], datetime.fromisoformat(row["started"]), row["run_id"])
                for row in rows
            ]
        for sequence, own in zip(found, folders, strict=True):
            if not all(path.is_file() for path in run_files(folder / own).paths):
                yield sequence
        after = found[-1]


def _write(run: Run, folder: Path, strict: bool, policy: str) -> int:
    """Write what is missing of a run's files; return how many were written."""
    own = folder / run_folder(run.serial, run.started, run.run_id)
    head = Head(run.logged.sequence, run.logged.record_hash)
    content_of = contents(OneRun(run, strict, record=str(head)))
    files = {path: content_of(name) for name, path in run_files(own).items()}
    new = {path: content for path, content in files.items() if not _stays(path, content, policy)}
    for path, content in new.items():
        write_atomically(path, content)
        click.echo(visible(f"{path}: written from record {run.logged.sequence}"))
    lacking = _OLDER_FORMATS.get(run.logged.record_format)
    if new and lacking is not None:
        tell(f"record {run.logged.sequence} is of an older format, which does not say {lacking}")
    return len(new)


def _stays(path: Path, content: bytes, policy: str) -> bool:
    """Return whether a file stays as it is: it says what the record says, or nobody asked."""
    try:
        found = path.read_bytes()
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError as error:
        raise FileError(path, f"cannot be read: {error.strerror or error}") from error
    if found != content and policy == _REFUSES_OTHERS:
        raise FileError(
            path,
            "is there, and is not what the record says: was it changed, written by another linecheck, or with or "
            "without --strict? --replace writes it anew",
        )
    return found == content or policy == _LEAVES_WHAT_IS_THERE
