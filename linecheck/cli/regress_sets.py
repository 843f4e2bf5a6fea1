"""Capture sets compared with a baseline: measured side by side, written one by one, shown worst first."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from linecheck.captures.many_sets import JudgedSet, judge_sets
from linecheck.captures.workers import set_workers
from linecheck.cli.display.regression import regression_block
from linecheck.cli.display.result import Screen, result_text, show
from linecheck.cli.display.sets_progress import sets_listener
from linecheck.cli.judge_many import show_sets, workers_for
from linecheck.cli.telling import tell, told_status
from linecheck.errors import ExitStatus, FileError, RecordError
from linecheck.history.baseline.file import Baseline
from linecheck.history.baseline.regressed import (
    Regressed,
    regressed,
    regression_cases,
    regression_findings,
    regression_keys,
)
from linecheck.limits.model import LimitFile
from linecheck.limits.verdict import Verdict
from linecheck.line.stop_signals import StopSignals
from linecheck.results.files import Contents, ResultFiles, SetFiles
from linecheck.results.formats.base import OneRun
from linecheck.results.overview import MOST_CHARACTERS, MOST_FINDINGS, Brief, brief

__all__ = ["measured_sets", "regress_sets"]

#: So many units are named, the rest is counted.
MOST_ABSENT = 20
#: What a verdict means that comes of the comparisons and not of the masks.
MEANINGS = {
    Verdict.FAIL: "Something is worse than in the baseline, though no mask is failed.",
    Verdict.INVALID: "Whether something has become worse cannot be told. Put right what is listed below.",
    Verdict.MARGINAL: "Whether something has become a little worse cannot be told.",
}


def measured_sets(
    paths: Sequence[str], limits: LimitFile, *, serial: str | None, workers: int | None
) -> Iterator[JudgedSet]:
    """Yield what became of each set, in the order given.

    Raises
    ------
    FileError
        The only set cannot be read.
    """
    # One set needs no process of its own. Asking to stop is looked at between two sets, so that no line is ever cut
    # short.
    staff_for = set_workers(0) if len(paths) == 1 else workers_for(len(paths), workers, None)
    with staff_for as staff, StopSignals() as stop:
        stop.hold()
        listener = sets_listener(len(paths) > 1)
        try:
            for judged in judge_sets(
                paths, (limits,), staff, serial=serial, listener=listener, stopped=lambda: stop.asked
            ):
                _refuse_only(judged, len(paths))
                yield judged
        finally:
            listener.sets_finished()


def _refuse_only(judged: JudgedSet, sets: int) -> None:
    """Refuse a command whose only set cannot be read: nothing was judged."""
    if sets == 1 and judged.problem is not None and judged.problem.code == "set_refused":
        error = FileError(judged.path, judged.problem.message)
        error.args = (judged.problem.message,)
        raise error


def regress_sets(
    paths: Sequence[str],
    limits: LimitFile,
    baseline: Baseline,
    wanted: ResultFiles,
    *,
    serial: str | None,
    strict: bool,
    workers: int | None,
) -> ExitStatus:
    """Compare sets with a baseline, write what is wanted of them and show how they came out."""
    # Which unit a set is of shows only when it is measured: as many values as the largest has are counted for each.
    most = len(paths) * max(unit.comparisons for unit in baseline.file.unit)
    found = (
        regressed(judged, baseline, most)
        for judged in measured_sets(paths, limits, serial=serial, workers=workers)
    )
    seen: set[str] = set()
    noted = _noting(found, seen)
    if len(paths) == 1:
        status = _show_one(next(noted), wanted, strict=strict)
    else:
        status = _show_many(noted, wanted, strict=strict)
    absent = [unit for unit in baseline.units if unit not in seen]
    if absent:
        more = f" and {len(absent) - MOST_ABSENT} more" if len(absent) > MOST_ABSENT else ""
        tell(f"the baseline has units of which no set was given: {', '.join(absent[:MOST_ABSENT])}{more}")
    return status


def _noting(found: Iterator[Regressed], seen: set[str]) -> Iterator[Regressed]:
    """Yield what is compared, and note whose it is."""
    for compared in found:
        if compared.judged.outcome is not None:
            seen.add(compared.judged.outcome.serial)
        yield compared


def _show_one(compared: Regressed, wanted: ResultFiles, *, strict: bool) -> ExitStatus:
    outcome = compared.judged.outcome
    if outcome is None:
        return _show_many(iter((compared,)), wanted, strict=strict)
    one = OneRun(
        outcome,
        strict,
        keys=regression_keys(compared),
        cases=tuple(regression_cases(compared.comparisons, strict=strict)),
        in_brief=_brief(compared),
    )
    troubles = []
    try:
        wanted.write(Contents(one).of)
    except RecordError as error:
        troubles.append(str(error))
    screen = Screen.of_stdout()
    told = regression_findings(compared.comparisons)
    block = regression_block(compared, screen)
    text = result_text(
        outcome,
        screen,
        verdict=compared.verdict,
        told=told,
        blocks=block,
        meaning=MEANINGS.get(compared.verdict) if outcome.verdict is not compared.verdict else None,
    )
    show(text, screen)
    return told_status(compared.verdict, troubles, strict=strict)


def _show_many(found: Iterator[Regressed], wanted: ResultFiles, *, strict: bool) -> ExitStatus:
    files = SetFiles(wanted, strict=strict)
    briefs = []
    try:
        for compared in found:
            cases = list(regression_cases(compared.comparisons, strict=strict))
            files.add(compared.judged, regression_keys(compared), cases)
            briefs.append(_brief(compared))
        files.finish(briefs)
    finally:
        files.abandon()
    return show_sets(briefs, files.troubles, strict=strict)


def _brief(compared: Regressed) -> Brief:
    """Return a set in brief: what the comparisons found comes before what the masks found."""
    own = brief(compared.judged)
    told = regression_findings(compared.comparisons)
    first = tuple(text[:MOST_CHARACTERS] for text in told[:MOST_FINDINGS])
    findings = (*first, *own.findings)[:MOST_FINDINGS]
    return replace(own, verdict=compared.verdict, findings=findings, found=own.found + len(told))
