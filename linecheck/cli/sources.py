"""What a command looks at: a run in the log, a capture set that is judged on the spot, a comparison; and beside what.

A run is looked at beside earlier units of its model (``--against``) and a reference (``--reference``).
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

import click

from linecheck.captures.capture_set import INDEX_NAME, load_capture_set
from linecheck.cli.display.messages import tell
from linecheck.cli.options import LogPlace, Option, collected
from linecheck.errors import FileError, UsageError
from linecheck.history.population import Populations, population_of, reference_notes
from linecheck.log import LogReader
from linecheck.log.connect import database_path
from linecheck.run.model import Run
from linecheck.run.settle import settled

if TYPE_CHECKING:
    from linecheck.history.baseline.file import Baseline
    from linecheck.history.rejudge.remeasure import Finder

_RESULT_NAME = "result.json"
#: A result of a hundred checks with all curves has a few megabytes.
_LARGEST_RESULT = 256 * 1024 * 1024
#: The archive's folder among what runs leave, unless the station's config says otherwise.
DEFAULT_ARCHIVE = "archive"
_COMPARISON = "comparison.json"
#: Its name, or that of an earlier one that was kept.
_COMPARISON_NAMES = re.compile(r"comparison(-[0-9a-f]+)?\.json")


def view_of(reference: str, place: LogPlace, limits: Sequence[str] = (), *, serial: str | None = None) -> Run:
    """Return the run or capture set that is meant.

    Parameters
    ----------
    reference : str
        The folder of a capture set (or its ``captures.toml``); the folder that a run has left (or its
        ``result.json``); a run's id or the first 8 characters of it; its number in the log; a serial number, of
        which the newest run is meant.
    place : LogPlace
        The log that runs are looked for in.
    limits : sequence of str
        Limit files that judge sets.
    serial : str, optional
        Of a set that does not state it.

    Raises
    ------
    LinecheckError
        It is nowhere, or cannot be read or judged.
    """
    path = Path(reference)
    if path.name == INDEX_NAME or os.path.isfile(path / INDEX_NAME):
        return _judged(path, limits, serial)
    if os.path.isfile(path / _RESULT_NAME):
        path = path / _RESULT_NAME
    if os.path.isfile(path):
        reference = _run_id(path)
    elif os.path.isdir(path):
        raise FileError(
            path, f"holds neither a capture set ({INDEX_NAME}) nor what a run has left ({_RESULT_NAME})"
        )
    with place.reader() as log:
        return log.record(log.find(reference))


def _judged(path: Path, limits: Sequence[str], serial: str | None) -> Run:
    if not limits:
        raise UsageError(f"{path}: is a capture set, which a limit file judges: give --limits FILE")
    from linecheck.limits.loading.load import load_limits
    from linecheck.line.sets import judge_alone

    captures = load_capture_set(path)
    judged = judge_alone(captures, [load_limits(name) for name in limits], serial=serial)
    return replace(settled(judged), source=f"capture set {path}", captured=captures.index.recorded)


def _run_id(path: Path) -> str:
    """Return which run a result is of; the run itself is in the log, with its masks and all of its points."""
    try:
        if path.stat().st_size > _LARGEST_RESULT:
            raise FileError(path, "is too large to be a result")
        run = json.loads(path.read_bytes())["run"]
        if not isinstance(run, str):
            raise TypeError("the id of a run is a text")
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        raise FileError(path, "is no result of a run") from error
    return run


@dataclass(frozen=True)
class Beside:
    """What a capture set is judged by (limit files), and what a run is looked at beside (runs or sets, a log)."""

    limits: tuple[str, ...] = ()
    references: tuple[str, ...] = ()
    against: str | None = None


def is_comparison(source: str, beside: Beside) -> bool:
    """Return whether a comparison is meant, by its folder or its file; what goes with runs is refused for it."""
    if not (
        os.path.isfile(os.path.join(source, _COMPARISON))
        or _COMPARISON_NAMES.fullmatch(os.path.basename(source))
    ):
        return False
    if beside != Beside():
        raise UsageError(
            "--reference, --against and --limits: a comparison has its sides and its limit file already"
        )
    return True


beside_options: Final[Option] = collected(
    (
        click.option(
            "--limits", multiple=True, metavar="FILE", help="Limit file for a capture set; repeatable."
        ),
        click.option(
            "--reference",
            "references",
            metavar="RUN",
            multiple=True,
            help="Show the curves of this run, set or baseline file alongside; repeatable.",
        ),
        click.option(
            "--against",
            metavar="LOG",
            help="Rank each reading among the other units of the model in this log.",
        ),
    ),
    "beside",
    Beside,
)


def among_earlier(
    view: Run, against: str | None, checks: Collection[str] | None = None
) -> Populations | None:
    """Return where a run's readings (of all checks, or of these) lie among earlier units; None where no log is named.

    What limits it, and what stands apart, is said on standard error.

    Raises
    ------
    LinecheckError
        The log is not there, is none, or cannot be read.
    """
    if against is None:
        return None

    if checks is not None:
        view = replace(view, checks=tuple(check for check in view.checks if check.check in checks))
    with LogReader(against) as log:
        found = population_of(view, log)
    for line in (*found.notes, *found.apart):
        tell(line)
    return found


def run_and_references(
    source: str, beside: Beside, place: LogPlace
) -> tuple[Run, dict[str, Run], dict[str, Baseline]]:
    """Return the run that is meant, and by their names the runs and baselines beside it.

    Says on standard error where the runs were not measured alike.

    Raises
    ------
    LinecheckError
        One is nowhere, or cannot be read or judged.
    """
    view = view_of(source, place, beside.limits)
    baselines = {name: found for name in beside.references if (found := _baseline_of(name)) is not None}
    runs = {name: view_of(name, place, beside.limits) for name in beside.references if name not in baselines}
    for reference in runs.values():
        for line in reference_notes(view, reference):
            tell(line)
    return view, runs, baselines


def _baseline_of(name: str) -> Baseline | None:
    """Return the baseline that a file holds; None where the name is not that of a baseline file."""
    path = Path(name)
    if path.suffix.lower() != ".toml" or path.name == INDEX_NAME or not os.path.isfile(path):
        return None
    from linecheck.history.baseline.file import load_baseline

    return load_baseline(path)


def capture_finders(place: LogPlace, archive: str | None = None, results: str | None = None) -> list[Finder]:
    """Return what finds captures: the archive, and the files that runs have left."""
    from linecheck.history.rejudge.remeasure import captures_archived, captures_kept
    from linecheck.log.archive import Archive

    for given in (archive, results):
        if given is not None and not os.path.isdir(given):
            raise FileError(given, "there is no folder of that name")
    config = place.config
    if config is not None:
        results = results or config.records.folder
        archive = archive or (config.archive.folder if config.archive is not None else None)
    kept = Path(results) if results is not None else database_path(place.path).parent
    return [
        captures_archived(Archive(Path(archive) if archive else kept / DEFAULT_ARCHIVE)),
        captures_kept(kept),
    ]
