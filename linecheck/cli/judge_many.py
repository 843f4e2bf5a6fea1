"""Many capture sets: judged side by side, recorded and written one by one, shown worst first."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING

from linecheck.captures.many_sets import JudgedSet, judge_sets
from linecheck.captures.workers import Workers, processors, set_workers
from linecheck.checks.base import Problem
from linecheck.cli.display.result import Screen, show
from linecheck.cli.display.sets import sets_text
from linecheck.cli.display.sets_progress import sets_listener
from linecheck.cli.result_files import record_and_show
from linecheck.cli.telling import tell, told_status
from linecheck.errors import ExitStatus, LinecheckError, RecordError, StationError
from linecheck.limits.model import LimitFile
from linecheck.limits.verdict import Verdict, worst
from linecheck.line.stop_signals import StopSignals
from linecheck.results.files import ResultFiles, SetFiles
from linecheck.results.overview import Brief, brief
from linecheck.run.settle import settled

if TYPE_CHECKING:
    from linecheck.log import Log

__all__ = ["judge_many", "show_sets", "workers_for"]


def judge_many(
    paths: Sequence[str],
    limits: Sequence[LimitFile],
    wanted: ResultFiles,
    log: Log | None,
    *,
    serial: str | None = None,
    strict: bool = False,
    workers: int | None = None,
    scheduler: str | None = None,
) -> ExitStatus:
    """Judge sets, write what is wanted of them and show how they came out.

    Whoever stops it gets the results of the sets that are judged by then; the others are named as not judged.
    """
    # Asking to stop is looked at between two sets, so that no line and no record is ever cut short.
    with workers_for(len(paths), workers, scheduler) as staff, StopSignals() as stop:
        stop.hold()
        listener = sets_listener(len(paths) > 1)
        judged_sets = judge_sets(
            paths, limits, staff, serial=serial, listener=listener, stopped=lambda: stop.asked
        )
        try:
            if len(paths) == 1:
                return _show_one(next(judged_sets), wanted, log, strict=strict)
            return _show_many(judged_sets, wanted, log, strict=strict, done=listener.sets_finished)
        finally:
            listener.sets_finished()


@contextmanager
def workers_for(sets: int, count: int | None, scheduler: str | None) -> Iterator[Workers]:
    """Give the workers that were asked for: those of a cluster, or processes, at most one for each set."""
    if scheduler is None:
        with set_workers(min(count or processors(), sets)) as workers:
            yield workers
        return
    from linecheck.captures.cluster import cluster_workers

    with cluster_workers(scheduler) as workers:
        for note in workers.notes:
            tell(note)
        yield workers


def _show_one(judged: JudgedSet, wanted: ResultFiles, log: Log | None, *, strict: bool) -> ExitStatus:
    """Show the only set as one that was judged here."""
    if judged.outcome is not None:
        return record_and_show(judged.outcome, log, [wanted], strict=strict, set_path=judged.path)
    if judged.problem is not None and judged.problem.code == "set_refused":
        raise LinecheckError(judged.problem.message)
    raise StationError(f"{judged.path}: {judged.why or 'not judged'}")


def _show_many(
    judged_sets: Iterator[JudgedSet],
    wanted: ResultFiles,
    log: Log | None,
    *,
    strict: bool,
    done: Callable[[], None],
) -> ExitStatus:
    files = SetFiles(wanted, strict=strict)
    briefs = []
    try:
        for found in judged_sets:
            judged, recorded = _recorded(found, log)
            files.add(judged)
            entry = brief(judged)
            # What could not be recorded is invalid, whatever was measured.
            briefs.append(entry if recorded else replace(entry, verdict=Verdict.INVALID))
        files.finish(briefs)
    finally:
        files.abandon()
    done()
    return show_sets(briefs, files.troubles, strict=strict)


def show_sets(briefs: Sequence[Brief], troubles: Sequence[str], *, strict: bool) -> ExitStatus:
    """Show how sets came out and what could not be written; return what that ends the command with."""
    verdict = worst(entry.verdict for entry in briefs)
    screen = Screen.of_stdout()
    show(sets_text(briefs, verdict, screen), screen)
    return told_status(verdict, troubles, strict=strict)


def _recorded(judged: JudgedSet, log: Log | None) -> tuple[JudgedSet, bool]:
    """Record a set's run where there is a log; return what became of the set, and False where that failed."""
    if judged.outcome is None:
        return judged, True
    try:
        settled(judged.outcome)
    except RecordError as error:
        return replace(judged, outcome=None, problem=Problem("judging_failed", str(error))), True
    if log is None:
        return judged, True
    try:
        log.append(judged.outcome)
    except Exception as error:
        reason = str(error) if isinstance(error, RecordError) else f"{type(error).__name__}: {error}"
        unrecorded = Problem("not_recorded", f"the run could not be recorded in the log: {reason}")
        problems = (unrecorded, *judged.outcome.problems)
        return replace(judged, outcome=replace(judged.outcome, problems=problems, station_failed=True)), False
    return judged, True
