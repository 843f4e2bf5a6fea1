"""Making a baseline of runs: what is refused, what a person should know of it, and what it changes.

=======================  ==================================================================
:func:`accept_runs`      runs and the baseline that they replace to the new one
:class:`Acceptance`      what that returns
:func:`doubts`           masks that are failed, margins that are too small, units that left
:func:`changes`          each value against the baseline that is replaced, worst first
=======================  ==================================================================
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from linecheck.errors import BaselineError, FileError, listed
from linecheck.history.baseline.combine import combined_unit
from linecheck.history.baseline.file import (
    MAX_HISTORY,
    Accepted,
    Baseline,
    BaselineFile,
    CheckEntry,
    CurveEntry,
    HistoryEntry,
    LimitsEntry,
    ReadingEntry,
)
from linecheck.history.baseline.regression import Comparison, by_badness, compare_units
from linecheck.history.baseline.unit_entry import (
    compared_channels,
    compared_specs,
    require_margins,
    uncompared_texts,
    unit_entry,
    why_missing,
)
from linecheck.limits.curve_profile import Lattice
from linecheck.limits.model import Check, LimitFile
from linecheck.limits.regression import alarm_sigmas, margin_needed
from linecheck.limits.verdict import Verdict
from linecheck.results.wording import number, subject
from linecheck.run.model import CheckOutcome, Run

__all__ = ["MAX_NAMED", "Acceptance", "accept_runs", "changes", "doubts"]

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
            name = subject(check.name, spec.name, channel)
            yield f"{name}: {why_missing(done, spec.name, channel)}"


def doubts(acceptance: Acceptance) -> Iterator[str]:
    """Yield, a sentence each, what a person should know of a baseline before relying on it."""
    for run in acceptance.runs:
        if run.verdict is not Verdict.PASS:
            yield f"{run.serial} is accepted although its masks say {run.verdict.value}"
    if acceptance.replaced is not None:
        kept = {unit.serial for unit in acceptance.file.unit}
        left = [serial for serial in acceptance.replaced.units if serial not in kept]
        if left:
            yield f"no longer in the baseline: {', '.join(listed(left, MAX_NAMED))}"
    yield from _small_margins(acceptance)
    bounds = [
        f"{check.name} {item.metric}"
        for unit in acceptance.file.unit
        for check in unit.check
        for item in check.readings
        if item.bound
    ]
    if bounds:
        yield (
            f"known to be so good or better, and no more: {', '.join(listed(list(dict.fromkeys(bounds)), MAX_NAMED))}. "
            "What is worse than this will be found; what stays so inside its mask counts as unchanged"
        )
    yield from uncompared_texts(acceptance.runs[0].limits)


def _small_margins(acceptance: Acceptance) -> Iterator[str]:
    """Yield the margins of which twice may go unnoticed between this baseline and one more capture set."""
    margins = {check.name: check.regression for check in acceptance.runs[0].limits.checks}
    sets = Counter(run.serial for run in acceptance.runs)
    found: dict[str, tuple[float, float, str]] = {}
    for unit in acceptance.file.unit:
        sigmas = alarm_sigmas(unit.comparisons)
        for check in unit.check:
            for item, needed in _needed(check, math.sqrt(1.0 + sets[unit.serial]), sigmas):
                name, margin = f"{check.name} {item.metric}", margins[check.name][item.metric]
                if needed > max(margin, found[name][1] if name in found else 0.0):
                    found[name] = (margin, needed, item.unit)
    for name, (margin, needed, unit_name) in sorted(found.items(), key=lambda item: -item[1][1] / item[1][0]):
        yield (
            f"{name}: twice its margin of {number(margin, unit_name)} may go unnoticed; it needs a margin of "
            f"{number(needed, unit_name, 2)}, a longer stimulus or several sets"
        )


def _needed(
    check: CheckEntry, spread: float, sigmas: float
) -> Iterator[tuple[ReadingEntry | CurveEntry, float]]:
    """Yield the margin that each reading needs which is no bound, and of a curve the one that suits half of its bands.

    ``spread`` is the uncertainty of a change in parts of that of what is kept.
    """
    for reading in check.readings:
        if not reading.bound:
            yield reading, margin_needed(spread * reading.uncertainty, sigmas)
    for curve in check.curve:
        profile = curve.profile()
        hidden = np.abs(profile.outer - profile.inner)
        needed = margin_needed(1.0, sigmas) * spread * profile.uncertainty + 0.5 * hidden
        yield curve, float(np.median(needed))


def changes(acceptance: Acceptance) -> tuple[Comparison, ...]:
    """Return everything of the units that the replaced baseline has too, compared with it, worst first."""
    replaced = acceptance.replaced
    if replaced is None:
        return ()
    old = replaced.units
    found: list[Comparison] = []
    runs = {run.serial: run for run in acceptance.runs}
    both = [unit for unit in acceptance.file.unit if unit.serial in old]
    sigmas = alarm_sigmas(sum(old[unit.serial].comparisons for unit in both))
    for unit in both:
        found += compare_units(unit, old[unit.serial], runs[unit.serial], sigmas)
    return tuple(by_badness(found))
