"""Capture sets compared with a baseline: measured in parallel, written one by one, told worst first."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Final

from linecheck.captures.many_sets import JudgedSet
from linecheck.errors import ExitStatus, FileError, RecordError
from linecheck.files.text import listed
from linecheck.history.baseline.file import Baseline
from linecheck.history.baseline.regressed import MOVED, NOT_COMPARED, Regressed, moved_texts, regressed
from linecheck.history.baseline.unit_entry import uncompared_texts
from linecheck.limits.model import LimitFile
from linecheck.line.events import FilesNotWritten, Listener, Note, SetCompared
from linecheck.line.recording import exit_status
from linecheck.line.sets import ToldSet, judged_sets, write_each
from linecheck.results.files import ResultFiles, contents
from linecheck.results.formats.base import OneRun
from linecheck.results.overview import MAX_CHARACTERS, MAX_FINDINGS, Brief, brief

#: So many units are named, the rest is counted.
MAX_ABSENT: Final = 20


def refuse_unreadable(only: JudgedSet) -> None:
    """Refuse a command whose only set cannot be read.

    Raises
    ------
    FileError
        It cannot.
    """
    if only.problem is not None and only.problem.code == "set_refused":
        error = FileError(only.path, only.problem.message)
        error.args = (only.problem.message,)
        raise error


def regress_sets(
    paths: Sequence[str],
    limits: LimitFile,
    baseline: Baseline,
    wanted: ResultFiles,
    listener: Listener,
    *,
    serial: str | None,
    strict: bool,
    workers: int | None,
) -> ExitStatus:
    """Compare sets with a baseline, write what is wanted of them and tell how they came out.

    Raises
    ------
    FileError
        The only set cannot be read.
    """
    # Which unit a set is of shows only when it is measured: as many values as the largest has are counted for each.
    most = len(paths) * max(unit.comparisons for unit in baseline.file.unit)
    seen: set[str] = set()
    with judged_sets(paths, (limits,), listener, serial=serial, workers=workers) as judged:
        found = _noting((regressed(entry, baseline, most) for entry in judged), seen)
        if len(paths) == 1:
            status = _write_only(next(found), wanted, listener, strict=strict)
        else:
            each = (_told(compared, strict=strict) for compared in found)
            status = write_each(each, wanted, listener, strict=strict)
    if len(paths) > 1:
        for text in uncompared_texts(limits):
            listener(Note(text))
    absent = [unit for unit in baseline.units if unit not in seen]
    if absent:
        named = listed(absent, MAX_ABSENT)
        listener(Note(f"the baseline has units that no set was given for: {named}"))
    return status


def _noting(found: Iterator[Regressed], seen: set[str]) -> Iterator[Regressed]:
    """Yield the comparisons, and note their units."""
    for compared in found:
        if compared.judged.outcome is not None:
            seen.add(compared.judged.outcome.serial)
        yield compared


def _write_only(compared: Regressed, wanted: ResultFiles, listener: Listener, *, strict: bool) -> ExitStatus:
    refuse_unreadable(compared.judged)
    outcome, told = compared.judged.outcome, _told(compared, strict=strict)
    if outcome is None:
        return write_each([told], wanted, listener, strict=strict)
    one = OneRun(outcome, strict, keys=told.keys, cases=tuple(told.cases), in_brief=told.brief)
    trouble = None
    try:
        wanted.write(contents(one))
    except RecordError as error:
        trouble = FilesNotWritten(outcome.run_id, outcome.serial, str(error))
    listener(SetCompared(compared))
    if trouble is not None:
        listener(trouble)
    return exit_status(compared.verdict, strict=strict, troubled=trouble is not None)


def _told(compared: Regressed, *, strict: bool) -> ToldSet:
    cases = tuple(compared.cases(strict=strict))
    return ToldSet(compared.judged, _brief(compared), compared.keys(), cases)


def _brief(compared: Regressed) -> Brief:
    """Return a set in brief: findings of comparisons come before those of masks."""
    told = [*compared.findings, *moved_texts(compared.comparisons)]
    first = tuple(text[:MAX_CHARACTERS] for text in told[:MAX_FINDINGS])
    own, outcome = brief(compared.judged), compared.judged.outcome
    if outcome is not None:
        # What is noted of the comparison stands in the findings already, or below the table.
        problems = tuple(problem for problem in outcome.problems if problem.code not in (NOT_COMPARED, MOVED))
        own = brief(replace(compared.judged, outcome=replace(outcome, problems=problems)))
        own = replace(own, notes=uncompared_texts(outcome.limits))
    findings = (*first, *own.findings)[:MAX_FINDINGS]
    cause = own.cause if compared.causes is None else compared.causes.headline
    return replace(own, verdict=compared.verdict, findings=findings, found=own.found + len(told), cause=cause)
