"""How a run becomes known: recorded, then written, then told.

A verdict is told only once its record is on disk. A run that could not be recorded is invalid, whatever it
measured.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from linecheck.checks.base import Problem
from linecheck.errors import ExitStatus, LinecheckError, RecordError
from linecheck.limits.verdict import Verdict
from linecheck.line.events import (
    CapturesKept,
    CapturesNotKept,
    Event,
    FilesNotWritten,
    FilesWritten,
    Listener,
    NextAct,
    RunNotRecorded,
    RunRecorded,
    VerdictKnown,
)
from linecheck.results.files import ResultFiles, contents
from linecheck.results.formats.base import OneRun
from linecheck.run.causes import causes_of
from linecheck.run.model import Run

if TYPE_CHECKING:
    from linecheck.log import Log
    from linecheck.log.stored import StoredRun

_log = logging.getLogger(__name__)
_log.addHandler(logging.NullHandler())


@dataclass(frozen=True)
class Recorded:
    """A run and its place in the log.

    ``stored`` is None without a log, and where the run could not be recorded: ``why_not`` says why then, and so does
    the run.
    """

    run: Run
    stored: StoredRun | None = None
    why_not: str | None = None

    @property
    def verdict(self) -> Verdict:
        """The run's verdict; invalid where it could not be recorded."""
        return self.run.verdict if self.why_not is None else Verdict.INVALID

    @property
    def head(self) -> str:
        """Its record as it is noted, ``SEQUENCE:HASH``; empty where it has none."""
        return "" if self.stored is None else str(self.stored.head)


def recorded(run: Run, log: Log | None) -> Recorded:
    """Record a run if there is a log; whatever goes wrong with the log becomes part of the run."""
    if log is None:
        return Recorded(run)
    run = _beside_others(run, log)
    try:
        return Recorded(run, log.append(run))
    except Exception as error:
        known = isinstance(error, LinecheckError)
        if not known:
            _log.exception("the log failed")
        reason = str(error) if known else f"{type(error).__name__}: {error}"
        problem = Problem("not_recorded", f"the run could not be recorded in the log: {reason}")
        released = None if run.released is None else False
        marked = replace(run, problems=(problem, *run.problems), station_failed=True, released=released)
        return Recorded(marked, why_not=reason)


def _beside_others(run: Run, log: Log) -> Run:
    """Return a run with its margins held against other units; a fault in that costs only what it would say."""
    if not run.causes:
        return run
    try:
        from linecheck.history.population import margins_beside

        return margins_beside(run, log)
    except Exception:
        _log.exception("margins could not be held against other units")
        return run


def record_and_report(
    run: Run,
    log: Log | None,
    files: Sequence[ResultFiles],
    listener: Listener,
    *,
    strict: bool,
    captures: CapturesKept | CapturesNotKept | None = None,
    keep_beside: Callable[[], CapturesKept | CapturesNotKept | None] = lambda: None,
    set_path: str = "",
) -> ExitStatus:
    """Record a run, write its files and tell its verdict; return the exit status.

    Parameters
    ----------
    run : Run
    log : Log or None
    files : sequence of ResultFiles
    listener : callable
    strict : bool
        Marginal is a failure.
    captures : CapturesKept or CapturesNotKept, optional
        What became of the run's captures before.
    keep_beside : callable
        Keeps captures beside the run's files, once these are written.
    set_path : str
        The capture set, where the run is one that was recorded.
    """
    kept = recorded(run, log)
    whose = (run.run_id, run.serial)
    told: list[Event] = [captures] if isinstance(captures, CapturesKept) else []
    if kept.stored is not None:
        told.append(RunRecorded(*whose, kept.stored.attempt, kept.stored.behind_seconds))
    elif kept.why_not is not None:
        told.append(RunNotRecorded(*whose, kept.why_not))
    files_written, files_troubles = written(kept, files, strict=strict, set_path=set_path)
    told += files_written
    troubles: list[CapturesNotKept | FilesNotWritten] = [*files_troubles]
    if isinstance(captures, CapturesNotKept):
        troubles.append(captures)
    match keep_beside():
        case CapturesKept() as kept_beside:
            told.append(kept_beside)
        case CapturesNotKept() as lost:
            troubles.append(lost)
    attempt = None if kept.stored is None else kept.stored.attempt
    # Only now, so that a listener that fails finds everything on the disk.
    verdict = VerdictKnown(*whose, kept.run, kept.verdict, attempt)
    for event in (*told, *troubles, verdict, *_next_act(kept, strict)):
        listener(event)
    return exit_status(kept.verdict, strict=strict, troubled=bool(troubles) or kept.run.held)


def _next_act(kept: Recorded, strict: bool) -> Iterator[NextAct]:
    """Yield what the operator does next by the cause.

    Nothing of a unit that judges the station, of no record, of a unit that passes all the same, or of a run that was
    stopped and shows nothing of its unit.
    """
    causes = causes_of(kept.run)
    is_told = kept.verdict in (Verdict.FAIL, Verdict.INVALID) or (strict and kept.verdict is Verdict.MARGINAL)
    if causes is not None and causes.act and is_told and kept.run.purpose == "unit" and kept.why_not is None:
        yield NextAct(kept.run.run_id, kept.run.serial, causes.act)


def written(
    kept: Recorded, files: Sequence[ResultFiles], *, strict: bool, set_path: str = ""
) -> tuple[list[FilesWritten], list[FilesNotWritten]]:
    """Write the files of a run; return those written, and those that could not be."""
    run = kept.run
    content_of = contents(OneRun(run, strict, set_path, record=kept.head))
    done: list[FilesWritten] = []
    troubles: list[FilesNotWritten] = []
    for entry in files:
        try:
            entry.write(content_of)
        except RecordError as error:
            troubles.append(FilesNotWritten(run.run_id, run.serial, str(error)))
        else:
            if entry.paths:
                done.append(FilesWritten(run.run_id, run.serial, entry.paths))
    return done, troubles


def exit_status(verdict: Verdict, *, strict: bool, troubled: bool = False) -> ExitStatus:
    """Return the exit status of a verdict; a pass is none if something else went wrong."""
    if verdict in (Verdict.INVALID, Verdict.ABORTED):
        return ExitStatus.INVALID
    if verdict is Verdict.FAIL or (verdict is Verdict.MARGINAL and strict):
        return ExitStatus.FAIL
    return ExitStatus.INVALID if troubled else ExitStatus.PASS
