"""Which run a repair refers to, and what a log says of told and found.

===========================  ===============================================================
:func:`run_to_repair`        the run of a unit that a repair refers to
:func:`earlier_repair`       what was stated of it before
:func:`state_repair`         record a repair
:func:`repairs_of_unit`      what was stated of each of a unit's runs
:func:`told_and_found`       the runs of a log, told against found, by model
===========================  ===============================================================
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

from linecheck.errors import UsageError
from linecheck.files.text import visible
from linecheck.history.repairs.counts import Case
from linecheck.history.repairs.statement import REPAIR, Repair, repair_content, repair_from
from linecheck.limits.serial_pattern import pattern_in_words, serial_hint, serial_matches
from linecheck.limits.verdict import Verdict
from linecheck.log import Head, Log, LogReader, RunFilter, Statement
from linecheck.run.causes import causes_of
from linecheck.run.model import RunHeader

#: Verdicts of runs that have not passed: those say what may be broken.
_NOT_PASSED: Final = tuple(verdict.value for verdict in Verdict if verdict is not Verdict.PASS)
_AT_ONCE: Final = 500


def run_to_repair(log: LogReader, serial: str, model: str | None, reference: str | None) -> RunHeader:
    """Return the run that a repair refers to.

    Parameters
    ----------
    log : LogReader
    serial : str
    model : str or None
        Only runs of this model.
    reference : str or None
        The run's id, the first characters of it, or its number; None for the unit's newest run that did not pass and
        says what may be broken.

    Raises
    ------
    UsageError
        There is none, or it is not one of this unit that did not pass.
    """
    if not log.attempts_of(serial, model, limit=1):
        raise UsageError(_unknown(log, serial, model))
    if reference is not None:
        return _named(log, serial, log.record(log.find(reference, model)))
    unit = RunFilter(serial=serial, model=model, purpose="unit")
    runs = log.runs(replace(unit, verdicts=_NOT_PASSED), limit=_AT_ONCE)
    models = sorted({run.model for run in runs})
    if len(models) > 1:
        raise UsageError(
            f"{visible(serial)}: there are units of {' and of '.join(map(visible, models))}: say which with --model"
        )
    telling = next((run for run in runs if causes_of(run) is not None), None)
    if telling is not None:
        return telling
    if runs:
        raise UsageError(
            f"{visible(serial)}: no run that did not pass says what may be broken; the newest is record "
            f"{runs[0].logged.sequence} ({runs[0].state.upper()}): --run {runs[0].logged.sequence} takes that"
        )
    if log.runs(unit, limit=1):
        raise UsageError(f"{visible(serial)}: every run passed; a repair is stated of a run that did not")
    raise UsageError(f"{visible(serial)}: {_KNOWN_UNIT}")


_KNOWN_UNIT: Final = (
    "was tested as a golden or challenge unit or in a gauge study, which tests the station: repairs are stated of "
    "units that are built"
)


def _named(log: LogReader, serial: str, run: RunHeader) -> RunHeader:
    """Return the run that somebody has named, or refuse it."""
    said = f"record {run.logged.sequence}"
    if run.serial != serial:
        raise UsageError(f"--run: {said} is a run of {visible(run.serial)}, not of {visible(serial)}")
    if run.purpose != "unit":
        raise UsageError(f"{visible(serial)}: {_KNOWN_UNIT}")
    if run.verdict is Verdict.PASS:
        raise UsageError(
            f"--run: {said} is a {run.state.upper()}; a repair is stated of a run that did not pass: "
            f"`linecheck log show {visible(serial)}` lists them"
        )
    return run


def _unknown(log: LogReader, serial: str, model: str | None) -> str:
    """Return what is said of a serial number that no run has, by the pattern of the newest run."""
    of = f" of model {visible(model)}" if model is not None else ""
    said = f"{visible(str(log.path))}: there is no run of {visible(serial)}{of} in the log"
    newest = next(iter(log.runs(RunFilter(model=model), limit=1)), None)
    if newest is None:
        return said
    pattern = log.record(newest.logged.sequence).limits.serial_pattern
    if serial_matches(pattern, serial):
        return said
    likely = f"serial numbers of {visible(newest.model)} are {pattern_in_words(pattern)}"
    return f"{said}; {likely}{serial_hint(pattern, serial)}"


def earlier_repair(log: LogReader, run: RunHeader) -> Statement | None:
    """Return what was stated of a run last; a later statement corrects it."""
    return next(iter(log.statements(REPAIR, subject=run.run_id, limit=1)), None)


@dataclass(frozen=True)
class StatedRepair:
    """A repair with the number of the run that it is stated of, and when that was (UTC)."""

    record: int
    recorded: str
    repair: Repair


def repairs_of_unit(log: LogReader, run: RunHeader) -> tuple[StatedRepair, ...]:
    """Return what was stated last of each run of a run's unit that did not pass, the oldest run first.

    Raises
    ------
    RecordError
        The log cannot be read, or a record cannot be understood.
    """
    found = []
    for each in _runs(log, RunFilter(serial=run.serial, model=run.model, verdicts=_NOT_PASSED)):
        said = earlier_repair(log, each)
        if said is not None:
            with log.understood():
                stated = repair_from(said.content)
            found.append(StatedRepair(each.logged.sequence, said.recorded, stated))
    return tuple(reversed(found))


def state_repair(log: Log, run: RunHeader, stated: Repair) -> Head:
    """Record a repair in the log's chain; return the statement's number and hash.

    Raises
    ------
    RecordError
        It could not be recorded, and nothing of it was.
    """
    return log.state(REPAIR, run.run_id, repair_content(run, stated))


def told_and_found(log: LogReader, wanted: RunFilter) -> dict[str, list[Case]]:
    """Return what was told of runs that did not pass, and found at them, by model.

    Of several repairs of one run the last counts; runs of which nothing was told or found are left out.

    Raises
    ------
    RecordError
        The log cannot be read, or a record cannot be understood.
    """
    found = _found(log)
    cases: dict[str, list[Case]] = {}
    for run in _runs(log, replace(wanted, verdicts=wanted.verdicts or _NOT_PASSED)):
        causes = causes_of(run)
        told = () if causes is None else tuple(entry.codes for entry in causes.ranked)
        if told or run.run_id in found:
            probability = 0.0 if causes is None else causes.first.probability
            cases.setdefault(run.model, []).append(Case(told, probability, found.get(run.run_id)))
    return dict(sorted(cases.items()))


def _found(log: LogReader) -> dict[str, str]:
    """Return what was found by the id of the run, as the last statement of each says."""
    with log.understood():
        newest_first = log.statements(REPAIR)
        return {each.subject: repair_from(each.content).found for each in reversed(newest_first)}


def _runs(log: LogReader, wanted: RunFilter) -> Iterator[RunHeader]:
    before = None
    while page := log.runs(wanted, limit=_AT_ONCE, before=before):
        yield from page
        before = page[-1].logged.sequence
