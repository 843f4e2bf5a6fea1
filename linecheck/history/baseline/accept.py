"""Making a baseline of runs: what is refused, and what becomes of the baseline that is replaced.

=======================  =================================================
:func:`accept_runs`      runs and the baseline that they replace to the new one
:class:`Acceptance`      what that returns
=======================  =================================================
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

from linecheck.errors import BaselineError, FileError, listed
from linecheck.history.baseline.combine import combined_unit
from linecheck.history.baseline.file import (
    MAX_HISTORY,
    Accepted,
    Baseline,
    BaselineFile,
    CheckEntry,
    HistoryEntry,
    LimitsEntry,
)
from linecheck.history.baseline.unit_entry import (
    compared_channels,
    compared_specs,
    require_margins,
    unit_entry,
)
from linecheck.limits.curve_profile import Lattice
from linecheck.limits.model import Check, LimitFile
from linecheck.limits.verdict import Verdict
from linecheck.results.wording import subject
from linecheck.run.model import CheckOutcome, Run
from linecheck.run.settle import reasons

__all__ = ["MAX_NAMED", "Acceptance", "accept_runs"]

#: So many of what is alike are named; the rest is counted.
MAX_NAMED = 20


@dataclass(frozen=True)
class Acceptance:
    """A new baseline, the runs that it was made of, and the baseline that it replaces."""

    file: BaselineFile
    runs: tuple[Run, ...]
    replaced: Baseline | None


def accept_runs(
    runs: Sequence[Run],
    *,
    by: str,
    reason: str,
    on: datetime,
    software: str,
    replaced: Baseline | None = None,
) -> Acceptance:
    """Return the baseline that some runs make.

    Several runs of one unit are combined: the mean, and the uncertainty that is larger, the stated ones' or that of the
    spread between them.

    Parameters
    ----------
    runs : sequence of Run
        All by one limit file.
    by, reason : str
    on : datetime
        With a zone.
    software : str
    replaced : Baseline, optional
        The baseline that stood in its place.

    Raises
    ------
    FileError
        The limit file has no margin, or what is replaced is of another model.
    UsageError
        Two runs of one unit are of different firmware.
    BaselineError
        Something that would be kept was not measured.
    """
    limits = runs[0].limits
    require_margins(limits)
    if replaced is not None and replaced.file.model != limits.model:
        raise FileError(
            replaced.path,
            f"is the baseline of model {replaced.file.model}; it is not replaced by one of {limits.model}",
        )
    refused = [refusal for run in runs for refusal in _refusals(run)]
    if refused:
        raise BaselineError(
            "\n".join(("nothing was accepted:", *(f"  {line}" for line in listed(refused, MAX_NAMED))))
        )
    by_serial: dict[str, list[Run]] = {}
    for run in runs:
        by_serial.setdefault(run.serial, []).append(run)
    lattices: dict[tuple[str, str, str | None], Lattice] = {}
    file = BaselineFile(
        format=1,
        model=limits.model,
        software=software,
        accepted=Accepted(by=by, on=on, reason=reason),
        limits=LimitsEntry(path=limits.path, revision=limits.revision, sha256=limits.sha256),
        unit=tuple(combined_unit(together, lattices) for together in by_serial.values()),
        history=() if replaced is None else _history(replaced),
    )
    return Acceptance(file, tuple(runs), replaced)


def _history(replaced: Baseline) -> tuple[HistoryEntry, ...]:
    """Return the acceptances before this one, the latest first."""
    file = replaced.file
    firmware = dict.fromkeys(unit.firmware for unit in file.unit if unit.firmware is not None)
    latest = HistoryEntry(
        by=file.accepted.by,
        on=file.accepted.on,
        reason=file.accepted.reason,
        firmware=tuple(firmware),
        sha256=replaced.sha256,
    )
    return (latest, *file.history)[:MAX_HISTORY]


def _refusals(run: Run) -> Iterator[str]:
    """Yield why a run cannot become part of a baseline."""
    whole = [problem.message for problem in run.problems if problem.blocks]
    if run.aborted:
        whole.insert(0, "the run was aborted")
    elif run.station_failed and not whole:
        whole.append("the station failed")
    for message in whole:
        yield f"{run.serial}: {message}"
    done = {check.check: check for check in run.checks}
    kept = {check.name: check for check in unit_entry(run, {}).check}
    for check in run.limits.checks:
        if check.regression and check.name not in done:
            yield f"{run.serial}: the check {check.name} was not run"
        elif check.regression:
            missing = _missing(check, done[check.name], kept[check.name], run.limits)
            yield from (f"{run.serial}: {line}" for line in missing)


def _missing(check: Check, done: CheckOutcome, kept: CheckEntry, limits: LimitFile) -> Iterator[str]:
    """Yield what has a margin and is invalid, or has no value or uncertainty that could be kept."""
    there = {(entry.metric, entry.channel) for entry in kept.items}
    there -= {
        (item.measured.metric, item.measured.channel)
        for item in done.judged.items
        if item.verdict is Verdict.INVALID
    }
    for spec in compared_specs(check):
        for channel in compared_channels(spec, limits.channels):
            if (spec.name, channel) in there:
                continue
            why = "; ".join(problem.message for problem in reasons(done.judged.problems, spec.name, channel))
            name = subject(check.name, spec.name, channel)
            yield f"{name}: {why or 'it could not be measured, or has no uncertainty'}"
