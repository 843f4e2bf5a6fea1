"""Capture sets on a line: judged side by side, recorded and written one by one, told worst first.

========================  =================================================================
:func:`judge_alone`       one set, its checks side by side in this process
:func:`judged_sets`       any number of sets, by processes or a cluster
:func:`judge_and_record`  judged, recorded, written and told
:func:`write_each`        each written as it comes, then all told
========================  =================================================================
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, NamedTuple

from linecheck.captures.capture_set import CaptureSet, load_capture_set
from linecheck.captures.judging import judge_set, limits_for
from linecheck.captures.many_sets import JudgedSet, judge_sets
from linecheck.captures.workers import Workers, processors, set_workers
from linecheck.errors import ExitStatus, LinecheckError, StationError
from linecheck.limits.model import LimitFile
from linecheck.limits.verdict import worst
from linecheck.line.events import FilesNotWritten, Listener, Note, SetsEnded, SetsSummed
from linecheck.line.recording import exit_status, record_and_report, recorded
from linecheck.line.stop_signals import StopSignals
from linecheck.measure.executors import analysis_executor
from linecheck.results.files import ResultFiles, SetFiles
from linecheck.results.overview import Brief, brief
from linecheck.run.model import Run
from linecheck.station.events import ignore_event

if TYPE_CHECKING:
    from linecheck.log import Log
    from linecheck.results.cases import Case


class ToldSet(NamedTuple):
    """What is told of a set: the set, the same in brief, and what its files say besides."""

    judged: JudgedSet
    brief: Brief
    keys: Mapping[str, Any] = MappingProxyType({})
    cases: Sequence[Case] = ()


def judge_alone(
    captures: CaptureSet,
    limits: Sequence[LimitFile],
    *,
    serial: str | None = None,
    listener: Listener = ignore_event,
) -> Run:
    """Judge one set by the limit file of its model, its checks side by side in this process.

    Raises
    ------
    FileError
        It is faulty, or none of the limit files is of its model.
    """
    fitting = limits_for(captures, limits)
    with analysis_executor(own_process=False) as executor:
        return judge_set(captures, fitting, executor, listener=listener, serial=serial)


@contextmanager
def opened_workers(
    sets: int, listener: Listener, *, workers: int | None = None, scheduler: str | None = None
) -> Iterator[tuple[Workers, Callable[[], bool]]]:
    """Give the workers for so many sets, and a function that says whether somebody asked to stop.

    That is looked at between two sets, so that no line and no record is ever cut short. The workers are those of a
    cluster, or processes, at most one for each set: one that a capture kills takes nothing else with it.
    """
    with _workers(sets, listener, workers, scheduler) as staff, StopSignals() as stop:
        stop.hold()
        try:
            yield staff, lambda: stop.asked
        finally:
            listener(SetsEnded())


@contextmanager
def _workers(sets: int, listener: Listener, count: int | None, scheduler: str | None) -> Iterator[Workers]:
    if scheduler is None:
        with set_workers(min(processors() if count is None else count, sets)) as workers:
            yield workers
        return
    from linecheck.captures.cluster import cluster_workers

    with cluster_workers(scheduler) as workers:
        for note in workers.notes:
            listener(Note(note))
        yield workers


@contextmanager
def judged_sets(
    paths: Sequence[str],
    limits: Sequence[LimitFile],
    listener: Listener,
    *,
    serial: str | None = None,
    workers: int | None = None,
    scheduler: str | None = None,
) -> Iterator[Iterator[JudgedSet]]:
    """Give the result of each set, in the order given; a stop still leaves those judged by then."""
    if len(paths) == 1:
        workers = 0  # the only one is measured here: there is nothing else to lose
    with opened_workers(len(paths), listener, workers=workers, scheduler=scheduler) as (staff, stopped):
        yield judge_sets(paths, limits, staff, serial=serial, listener=listener, stopped=stopped)


def judge_and_record(
    paths: Sequence[str],
    limits: Sequence[LimitFile],
    wanted: ResultFiles,
    log: Log | None,
    listener: Listener,
    *,
    serial: str | None = None,
    strict: bool = False,
    workers: int | None = None,
    scheduler: str | None = None,
) -> ExitStatus:
    """Judge sets, record them, write what is wanted of them and tell how they came out.

    Whoever stops it gets the results of the sets that are judged by then; the others are named as not judged. The only
    set is judged here, where no cluster is asked for, and told as a run.

    Raises
    ------
    LinecheckError
        The only set cannot be judged.
    """
    if len(paths) == 1 and scheduler is None:
        captures = load_capture_set(paths[0])
        with StopSignals() as stop:
            run = judge_alone(captures, limits, serial=serial, listener=listener)
            stop.hold()
            return record_and_report(run, log, [wanted], listener, strict=strict, set_path=paths[0])
    with judged_sets(paths, limits, listener, serial=serial, workers=workers, scheduler=scheduler) as found:
        if len(paths) > 1:
            each = (_recorded(judged, log) for judged in found)
            return write_each(each, wanted, listener, strict=strict)
        only = next(found)
        if only.outcome is not None:
            return record_and_report(only.outcome, log, [wanted], listener, strict=strict, set_path=only.path)
        if only.problem is not None and only.problem.code == "set_refused":
            raise LinecheckError(only.problem.message)
        raise StationError(f"{only.path}: {only.why or 'not judged'}")


def _recorded(judged: JudgedSet, log: Log | None) -> ToldSet:
    """Record a set's run if there is a log; a run that could not be recorded is invalid."""
    if judged.outcome is None:
        return ToldSet(judged, brief(judged))
    kept = recorded(judged.outcome, log)
    judged = replace(judged, outcome=kept.run, record=kept.head)
    return ToldSet(judged, replace(brief(judged), verdict=kept.verdict))


def write_each(
    found: Iterable[ToldSet], wanted: ResultFiles, listener: Listener, *, strict: bool
) -> ExitStatus:
    """Write sets one by one, then tell how all of them came out; return the exit status."""
    files = SetFiles(wanted, strict=strict)
    briefs = []
    try:
        for told in found:
            files.add(told.judged, told.keys, told.cases)
            briefs.append(told.brief)
        files.finish(briefs)
    finally:
        files.abandon()
    verdict = worst(entry.verdict for entry in briefs)
    listener(SetsSummed(tuple(briefs), verdict))
    for trouble in files.troubles:
        listener(FilesNotWritten(None, None, trouble))
    return exit_status(verdict, strict=strict, troubled=bool(files.troubles))
