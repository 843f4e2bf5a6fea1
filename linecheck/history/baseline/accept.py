"""Making a baseline of runs: what is refused, what a person should know of it, and what it changes.

=======================  ==================================================================
:func:`accept_runs`      runs and the baseline that they replace to the new one
:func:`combined_unit`    several runs of one unit made into one
:class:`Acceptance`      what that returns
:func:`doubts`           masks that are failed, margins that are too small, units that left
:func:`changes`          each value against the baseline that is replaced, worst first
=======================  ==================================================================
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import reduce
from statistics import fmean, stdev
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from linecheck.checks.parts.declared import Better, difference_unit
from linecheck.checks.parts.volts import VOLT_UNITS
from linecheck.errors import BaselineError, FileError, UsageError, listed
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
    UnitEntry,
    curve_entry,
    rounded_reading,
)
from linecheck.history.baseline.regression import Comparison, by_badness, compare_units
from linecheck.history.baseline.unit_entry import (
    compared,
    require_margins,
    uncompared_texts,
    unit_entry,
    why_missing,
)
from linecheck.limits.curve_profile import Lattice, Profile, is_another
from linecheck.limits.model import Check, LimitFile
from linecheck.limits.regression import alarm_sigmas, margin_needed
from linecheck.limits.verdict import Verdict
from linecheck.results.wording import number, subject
from linecheck.run.model import CheckOutcome, Run

#: A value contradicts a bound beyond so many standard uncertainties of both.
_CONTRADICTION = 4.0


def combined_unit(runs: Sequence[Run], lattices: dict[tuple[str, str, str | None], Lattice]) -> UnitEntry:
    """Return what a baseline keeps of the runs of one unit: means, rounded.

    The uncertainty is the larger of the stated ones' and of that of the spread between the runs.

    Raises
    ------
    UsageError
        They are of different firmware, were recorded with different stimuli, or contradict each other: a value that is
        worse than the bound of another run, curves that end at different places.
    """
    entries = [unit_entry(run, lattices) for run in runs]
    serial = entries[0].serial
    firmware = list(dict.fromkeys(entry.firmware for entry in entries))
    if len(firmware) > 1:
        named = " and ".join(name or "unknown" for name in firmware)
        raise UsageError(
            f"the sets of {serial} are of firmware {named}: what is combined must be of one; accept one of them"
        )
    checks: dict[str, list[CheckEntry]] = {}
    for entry in entries:
        for check in entry.check:
            checks.setdefault(check.name, []).append(check)
    for together in checks.values():
        _require_alike(serial, together)
    certificates = {entry.certificate for entry in entries}
    one = len(certificates) == 1
    volts = entries[0].volts_uncertainty_percent if one else None
    checks_by_name = {check.name: check for check in runs[0].limits.checks}
    return UnitEntry(
        serial=serial,
        firmware=firmware[0],
        stations=tuple(dict.fromkeys(station for entry in entries for station in entry.stations)),
        certificate=certificates.pop() if one else None,
        volts_uncertainty_percent=volts,
        check=tuple(
            _combined_check(serial, together, 0.01 * (volts or 0.0), checks_by_name[name])
            for name, together in checks.items()
        ),
    )


def _require_alike(serial: str, entries: Sequence[CheckEntry]) -> None:
    """Refuse what cannot be combined: other stimuli, or the same capture again, which says no more than once."""
    name, stimulus = entries[0].name, entries[0].stimulus
    captures = [entry.captures for entry in entries if entry.captures]
    if len(set(captures)) < len(captures):
        raise UsageError(f"the sets of {serial} have the same capture of {name}: give each set once")
    if any(entry.stimulus != stimulus for entry in entries):
        raise UsageError(
            f"the sets of {serial} were recorded with different stimuli of {name}: accept one of them"
        )


def _combined_check(
    serial: str, entries: Sequence[CheckEntry], same_volts: float, check: Check
) -> CheckEntry:
    first, margins = entries[0], check.regression
    readings = _side_by_side([entry.readings for entry in entries])
    curves = _side_by_side([entry.curve for entry in entries])
    for items in readings:
        metric = items[0].metric
        _require_agreement(serial, check.name, items, check.better(metric), margins[metric])
    for together in curves:
        _require_same_ends(serial, check.name, together)
    combined = [_combined_reading(items, same_volts) for items in readings]
    return CheckEntry(
        name=first.name,
        kind=first.kind,
        setup=first.setup,
        stimulus=_without_none(first.stimulus),
        analysis=_without_none(first.analysis),
        captures=tuple(digest for entry in entries for digest in entry.captures),
        readings=tuple(rounded_reading(reading, margins[reading.metric]) for reading in combined),
        curve=tuple(_combined_curve(items, margins[items[0].metric]) for items in curves),
    )


_Entry = TypeVar("_Entry", ReadingEntry, CurveEntry)


def _side_by_side(entries: Iterable[Iterable[_Entry]]) -> list[list[_Entry]]:
    """Return what is alike in metric and channel together, in the order of the first."""
    found: dict[tuple[str, str | None], list[_Entry]] = {}
    for items in entries:
        for item in items:
            found.setdefault((item.metric, item.channel), []).append(item)
    return list(found.values())


def _without_none(values: Mapping[str, object]) -> dict[str, object]:
    return {name: value for name, value in values.items() if value is not None}


def _require_agreement(
    serial: str, check: str, entries: Sequence[ReadingEntry], better: Better, margin: float
) -> None:
    """Refuse a value that is worse than what another run says is the worst that it can be."""
    bounds = [entry for entry in entries if entry.bound]
    values = [entry for entry in entries if not entry.bound]
    sign = {"less": 1.0, "more": -1.0}.get(better)
    if sign is None or not bounds or not values:
        return
    bound = min(bounds, key=lambda entry: sign * entry.value)
    value = max(values, key=lambda entry: sign * entry.value)
    noise = _CONTRADICTION * math.hypot(bound.uncertainty, value.uncertainty)
    if sign * (value.value - bound.value) > max(margin, noise):
        name = subject(check, value.metric, value.channel)
        raise UsageError(
            f"the sets of {serial} contradict each other in {name}: {number(value.value, value.unit)} in one, "
            f"{number(bound.value, bound.unit)} or better in another; find out why, or accept those that agree"
        )


def _require_same_ends(serial: str, check: str, entries: Sequence[CurveEntry]) -> None:
    """Refuse curves of which one lacks many of another's bands: what only some have would leave the baseline."""
    profiles = [entry.profile() for entry in entries]
    everywhere = _shared_keys(profiles)
    if any(is_another(len(profile.keys) - len(everywhere), profile) for profile in profiles):
        name = subject(check, entries[0].metric, entries[0].channel)
        raise UsageError(
            f"the sets of {serial} have {name} over different ranges, recorded at different rates perhaps: "
            "accept those that agree"
        )


def _shared_keys(profiles: Sequence[Profile]) -> NDArray[np.int64]:
    """Return the bands that all have."""
    return reduce(np.intersect1d, (profile.keys for profile in profiles))


def _combined_reading(entries: Sequence[ReadingEntry], same_volts: float) -> ReadingEntry:
    """Return the mean of a reading: of the values where there are any, else of the bounds.

    The part of the uncertainty that the calibration gives to all alike does not shrink with their number.
    """
    known = [entry for entry in entries if not entry.bound] or entries
    if len(known) == 1:
        return known[0]
    values = [entry.value for entry in known]
    count, mean = len(values), fmean(values)
    common = same_volts * abs(mean) if known[0].unit in VOLT_UNITS else 0.0
    own = sum(max(entry.uncertainty**2 - common**2, 0.0) for entry in known)
    spread = max(math.sqrt(own) / count, stdev(values) / math.sqrt(count))
    return known[0].model_copy(update={"value": mean, "uncertainty": math.hypot(spread, common)})


def _combined_curve(entries: Sequence[CurveEntry], margin: float) -> CurveEntry:
    """Return the mean of a curve's extremes, in the bands that all have."""
    profiles = [entry.profile() for entry in entries]
    keys = _shared_keys(profiles)
    at = [np.searchsorted(profile.keys, keys) for profile in profiles]
    count = len(profiles)

    def stacked(values: Callable[[Profile], np.ndarray]) -> np.ndarray:
        return np.stack([values(profile)[:, here] for profile, here in zip(profiles, at, strict=True)])

    inner = stacked(lambda profile: profile.inner)
    stated = np.sqrt(np.sum(stacked(lambda profile: profile.uncertainty) ** 2, axis=0)) / count
    spread = np.std(inner, axis=0, ddof=1) / math.sqrt(count) if count > 1 else np.zeros_like(stated)
    combined = Profile(
        profiles[0].lattice,
        keys,
        inner.mean(axis=0),
        stacked(lambda profile: profile.outer).mean(axis=0),
        np.maximum(stated, spread),
        stacked(lambda profile: profile.x)[0],
    )
    like = entries[0]
    return curve_entry(combined, like.metric, like.channel, like.unit, like.x_unit, margin)


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
    for spec, channel in compared(check, limits.channels):
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
                    found[name] = (margin, needed, difference_unit(item.unit))
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
