"""A run compared with a baseline, metric by metric.

==============================  =============================================================
:func:`compare_outcome`         every comparison of a run, in the limit file's order
:func:`comparisons_in`          how many values that takes, over all runs of a command
:func:`regression_verdict`      what a run is worth with its masks and its comparisons
:func:`by_badness`              comparisons, worst first
:class:`Comparison`             one metric in one channel: answer, verdict, numbers, a sentence
==============================  =============================================================

Nothing is dropped in silence: what stands only on one side, was measured differently, or cannot be measured any more
is a comparison that cannot be told, and is invalid. What follows a ± is twice the standard uncertainty.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from linecheck.checks.base import CurveSpec, MetricSpec, Parameters
from linecheck.checks.parts.declared import difference_unit
from linecheck.checks.parts.volts import VOLT_UNITS
from linecheck.errors import BaselineError, FileError, listed
from linecheck.history.baseline.file import Baseline, CheckEntry, CurveEntry, ReadingEntry, UnitEntry
from linecheck.history.baseline.unit_entry import (
    compared,
    items_of,
    require_margins,
    unit_entry,
    why_missing,
)
from linecheck.history.comparison.alike import accuracy
from linecheck.limits.curve_profile import CurveChange, compare_profiles
from linecheck.limits.model import Check
from linecheck.limits.regression import Answer, Change, Measured, alarm_sigmas, compare_values
from linecheck.limits.verdict import WORST_FIRST, Verdict, worst
from linecheck.results.wording import number, significant, subject
from linecheck.run.model import CheckOutcome, Run


def decimals_for(margin: float) -> int:
    """Return how many decimals show a tenth of a margin."""
    return max(0, 1 - math.floor(math.log10(margin)))


def fixed(value: float | None, unit: str, margin: float) -> str:
    """Return a value with as many decimals as its margin asks for."""
    if value is None:
        return number(None, "")
    decimals = decimals_for(margin)
    text = f"{round(value, decimals) + 0.0:.{decimals}f}"
    return f"{text} {unit}" if unit else text


def answer_text(
    name: str, change: Change, now: Measured, old: Measured, spec: MetricSpec, margin: float, moved: str = ""
) -> str:
    """Return one reading against the baseline's, in one sentence; ``moved`` is what :func:`moved_by` says of it."""
    bounds = old.is_bound or now.is_bound
    before = fixed(old.value, spec.unit if bounds else "", margin) + " or better" * old.is_bound
    after = fixed(now.value, spec.unit, margin) + " or better" * now.is_bound
    values = f"({before} → {after}, margin {number(margin, difference_unit(spec.unit))})"
    if change.answer is Answer.CANNOT_TELL:
        return f"{name}: {_why(change, now, old, spec, margin)} {values}"
    if change.answer is Answer.UNCHANGED and moved:
        return f"{name} is unchanged within its margin, and has moved by {moved} {values}"
    if change.answer is Answer.UNCHANGED and bounds:
        return f"{name} is unchanged as far as it can be measured, and inside its mask {values}"
    return f"{name} {_said(change.answer, change.worse_by, change.uncertainty, spec, margin)} {values}"


def moved_by(change: Change, now: Measured, old: Measured, spec: MetricSpec, sigmas: float) -> str:
    """Return by how much a value that is unchanged has truly moved, as ``+0.30 ± 0.09 dB``; empty where it has not.

    It has where noise does not explain it (:func:`~linecheck.limits.regression.alarm_sigmas`) and where it is more than
    the accuracy of the metric, below which no difference means anything.
    """
    if change.answer is not Answer.UNCHANGED or now.is_bound or old.is_bound:
        return ""
    moved, least = now.value - old.value, accuracy(spec)
    if abs(moved) <= max(sigmas * change.uncertainty, least):
        return ""
    decimals = decimals_for(least)
    spread = f"{2.0 * change.uncertainty:.{decimals}f}"
    return f"{moved:+.{decimals}f} ± {spread} {difference_unit(spec.unit)}".rstrip()


def _curve_text(name: str, change: CurveChange, spec: CurveSpec, margin: float) -> str:
    """Return a curve against the baseline's, by its most telling band."""
    counted = f"compared at {change.compared} of {change.bands} places"
    if change.x is None or change.worse_by is None or change.uncertainty is None:
        return f"{name} cannot be compared: it has no place in common with the baseline's"
    values = (
        f"({fixed(change.base_value, '', margin)} → {fixed(change.value, spec.unit, margin)} "
        f"at {number(change.x, spec.x_unit, 5)}, margin {number(margin, difference_unit(spec.unit))}; {counted})"
    )
    if change.absent:
        return (
            f"{name} cannot be compared: it ends short of the baseline's, {change.absent} places are missing"
        )
    if change.answer is Answer.CANNOT_TELL:
        return (
            f"{name}: whether it is worse cannot be told: at most places twice the margin would drown in noise "
            f"{values}. It needs a longer stimulus or a wider margin"
        )
    return f"{name} {_said(change.answer, change.worse_by, change.uncertainty, spec, margin)} {values}"


def _said(
    answer: Answer, worse_by: float, uncertainty: float, spec: MetricSpec | CurveSpec, margin: float
) -> str:
    if answer is Answer.UNCHANGED:
        return "is unchanged"
    by = f"{fixed(abs(worse_by), difference_unit(spec.unit), margin)} ± {significant(2.0 * uncertainty, 2)}"
    if spec.better == "nominal":
        return f"is worse: it differs by {by} from the baseline"
    return f"is {answer.value} by {by} than in the baseline"


def _why(change: Change, now: Measured, old: Measured, spec: MetricSpec, margin: float) -> str:
    size = fixed(abs(change.worse_by), difference_unit(spec.unit), margin)
    spread = f"the change is {size} ± {significant(2.0 * change.uncertainty, 2)}"
    if spec.better != "nominal" and change.worse_by:
        spread += f" for the {'worse' if change.worse_by > 0.0 else 'better'}"
    if now.is_bound and old.is_bound:
        return "whether it has changed cannot be told: it is too small to be measured, as in the baseline"
    if now.is_bound and change.verdict is Verdict.PASS:
        return "how much better it is cannot be told: it is too small to be measured now"
    if now.is_bound:
        return "whether it is worse cannot be told: it is only known to be so good or better now"
    if old.is_bound:
        return "whether it has changed cannot be told: it was too small to be measured in the baseline"
    if change.verdict is Verdict.PASS:
        return f"it is no worse, and whether it is better cannot be told: {spread}"
    if change.verdict is Verdict.MARGINAL:
        return f"whether it is worse cannot be told, but not by twice the margin: {spread}"
    return f"whether it is worse by twice the margin cannot be told: {spread}"


_ACCEPT: Final = "accept a new baseline (linecheck baseline accept)"

_Item = ReadingEntry | CurveEntry


@dataclass(frozen=True)
class Comparison:
    """One metric, or one curve, in one channel (None for the pair).

    Attributes
    ----------
    answer : Answer
    verdict : Verdict
        A pass, marginal, a fail where it is worse, invalid where something may hide.
    text : str
        What a person reads, a whole sentence.
    value, baseline_value : float or None
        Of a curve, those of the band that tells most, at ``x``.
    is_bound, baseline_is_bound : bool
        The value is that or better, and no more is known of it.
    worse_by : float or None
        The change towards worse in ``unit``; where the nominal value is best, its size.
    uncertainty : float or None
        Its standard uncertainty (k = 1).
    margin : float or None
    compared, bands : int or None
        Of a curve: how many bands could be compared, of how many.
    moved : str
        Of a value that is unchanged within its margin, by how much it has truly moved; empty where noise explains all.
        What creeps shows by it long before it is worse.
    """

    check: str
    metric: str
    channel: str | None
    is_curve: bool
    answer: Answer
    verdict: Verdict
    text: str
    unit: str = ""
    value: float | None = None
    baseline_value: float | None = None
    worse_by: float | None = None
    uncertainty: float | None = None
    margin: float | None = None
    x: float | None = None
    x_unit: str | None = None
    compared: int | None = None
    bands: int | None = None
    moved: str = ""
    is_bound: bool = False
    baseline_is_bound: bool = False

    @property
    def name(self) -> str:
        """What was compared, as the limit file names it."""
        return subject(self.check, self.metric, self.channel)


def compare_outcome(
    outcome: Run, baseline: Baseline, *, comparisons: int | None = None
) -> tuple[Comparison, ...]:
    """Compare a run with the baseline's unit of the same serial number.

    Parameters
    ----------
    outcome : Run
    baseline : Baseline
    comparisons : int, optional
        How many values are compared in all the runs that are looked at together (:func:`comparisons_in`); those of this
        one alone, if left out.

    Raises
    ------
    FileError
        The baseline is of another model, or the limit file has no margin.
    BaselineError
        The baseline has no unit of that serial number, or was accepted from these very captures under another name.
    """
    require_margins(outcome.limits)
    if baseline.file.model != outcome.model:
        raise FileError(baseline.path, f"is of model {baseline.file.model}, the captures of {outcome.model}")
    base = unit_of(baseline, outcome.serial)
    _refuse_old_captures(outcome, baseline)
    sigmas = alarm_sigmas(comparisons if comparisons is not None else base.comparisons)
    lattices = {
        (check.name, curve.metric, curve.channel): curve.lattice
        for check in base.check
        for curve in check.curve
    }
    return compare_units(unit_entry(outcome, lattices), base, outcome, sigmas)


def _refuse_old_captures(outcome: Run, baseline: Baseline) -> None:
    """Refuse captures that the baseline has of another firmware or unit: bit for bit, nothing is captured twice."""
    known = {
        digest: (unit.serial, unit.firmware)
        for unit in baseline.file.unit
        for check in unit.check
        for digest in check.captures
    }
    whose = (outcome.serial, outcome.firmware)
    for check in outcome.checks:
        before = known.get(check.capture_sha256 or "", whose)
        if before != whose:
            serial, firmware = before
            raise BaselineError(
                f"{baseline.path}: the capture of {check.check} is, bit for bit, the one accepted of {serial}, "
                f"firmware {firmware or 'unknown'}. Was this firmware recorded at all? Record it, or correct the "
                "serial number or the firmware in captures.toml"
            )


def unit_of(baseline: Baseline, serial: str) -> UnitEntry:
    """Return the baseline's unit of a serial number.

    Raises
    ------
    BaselineError
        It has none.
    """
    units = baseline.units
    if serial not in units:
        raise BaselineError(
            f"{baseline.path}: has no unit {ascii(serial)[1:-1]} to compare with; its units are: "
            f"{', '.join(listed(list(units), 20))}. "
            f"Compare captures of one of these, or {_ACCEPT}"
        )
    return units[serial]


def comparisons_in(baseline: Baseline, serials: Iterable[str]) -> int:
    """Return how many values are compared in runs of these serial numbers, one number for each run."""
    units = baseline.units
    return sum(units[serial].comparisons for serial in serials if serial in units)


def regression_verdict(outcome: Run, comparisons: Iterable[Comparison]) -> Verdict:
    """Return the worse of what the masks and what the comparisons say."""
    return worst([outcome.verdict, *(comparison.verdict for comparison in comparisons)])


_ANSWERS = (Answer.WORSE, Answer.CANNOT_TELL, Answer.BETTER, Answer.UNCHANGED)


def by_badness(comparisons: Iterable[Comparison]) -> list[Comparison]:
    """Return comparisons worst first: by verdict, answer, what has moved, and by how many margins it has changed."""

    def badness(comparison: Comparison) -> tuple[int, int, bool, float]:
        size = 0.0
        if comparison.worse_by is not None and comparison.margin is not None:
            size = abs(comparison.worse_by) / comparison.margin
        return (
            WORST_FIRST.index(comparison.verdict),
            _ANSWERS.index(comparison.answer),
            not comparison.moved,
            -size,
        )

    return sorted(comparisons, key=badness)


def compare_units(new: UnitEntry, base: UnitEntry, outcome: Run, sigmas: float) -> tuple[Comparison, ...]:
    """Compare what was taken of a run with what a baseline keeps.

    Parameters
    ----------
    new, base : UnitEntry
    outcome : Run
        The run, which says what is compared and why something is missing.
    sigmas : float
        :func:`~linecheck.limits.regression.alarm_sigmas`.
    """
    done = {check.check: check for check in outcome.checks}
    sides = _Sides(outcome, done, sigmas, _same_volts(new, base))
    found: list[Comparison] = []
    new_checks, base_checks = ({entry.name: entry for entry in unit.check} for unit in (new, base))
    for check in outcome.limits.checks:
        found += sides.check(check, new_checks.get(check.name), base_checks.pop(check.name, None))
    for entry in base_checks.values():
        found += [
            _dropped(entry.name, item, "the limit file has no such check any more") for item in entry.items
        ]
    return tuple(found)


def _same_volts(new: UnitEntry, base: UnitEntry) -> float:
    """Return the relative uncertainty of volts that is one and the same error on both sides."""
    if new.certificate is None or new.certificate != base.certificate:
        return 0.0
    return 0.01 * min(new.volts_uncertainty_percent or 0.0, base.volts_uncertainty_percent or 0.0)


def _dropped(check: str, item: _Item, why: str) -> Comparison:
    text = f"{subject(check, item.metric, item.channel)} is in the baseline and cannot be compared: {why}; {_ACCEPT}"
    is_curve = isinstance(item, CurveEntry)
    return Comparison(
        check, item.metric, item.channel, is_curve, Answer.CANNOT_TELL, Verdict.INVALID, text, item.unit
    )


@dataclass(frozen=True)
class _Sides:
    """What every comparison of a run needs."""

    outcome: Run
    done: Mapping[str, CheckOutcome]
    sigmas: float
    same_volts: float

    def check(self, check: Check, new: CheckEntry | None, base: CheckEntry | None) -> Iterator[Comparison]:
        """Yield the comparisons of one check."""
        change = None if base is None else _changed(check, base)
        old_items, new_items = (items_of(entry, check) for entry in (base, new))
        for spec, channel in compared(check, self.outcome.limits.channels):
            old = old_items.pop((spec.name, channel), None)
            now = new_items.get((spec.name, channel))
            why = change if old is not None else f"it is not in the baseline; {_ACCEPT}"
            if why is None and now is None:
                why = why_missing(self.done.get(check.name), spec.name, channel)
            if why is None and old is not None and old.unit != spec.unit:
                why = f"the baseline has it in {old.unit or 'no unit'}; {_ACCEPT}"
            if why is not None:
                yield self._untold(check, spec, channel, why)
                continue
            match spec, now, old:
                case MetricSpec(), ReadingEntry(), ReadingEntry():
                    yield self._reading(check, spec, now, old)
                case CurveSpec(), CurveEntry(), CurveEntry():
                    yield self._curve(check, spec, now, old)
                case _:
                    why = f"the baseline has it in another form; {_ACCEPT}"
                    yield self._untold(check, spec, channel, why)
        channels = (*self.outcome.limits.channels, None)
        for item in old_items.values():
            what = "gives it no margin" if item.channel in channels else "has no such channel"
            yield _dropped(check.name, item, f"the limit file {what} any more")

    def _comparison(
        self,
        check: Check,
        spec: MetricSpec | CurveSpec,
        channel: str | None,
        text: str,
        change: Change | CurveChange | None = None,
        **numbers: Any,  # noqa: ANN401 - the fields of a comparison
    ) -> Comparison:
        """Return a comparison; without a change it cannot be told."""
        return Comparison(
            check.name,
            spec.name,
            channel,
            isinstance(spec, CurveSpec),
            change.answer if change is not None else Answer.CANNOT_TELL,
            change.verdict if change is not None else Verdict.INVALID,
            text,
            spec.unit,
            worse_by=change.worse_by if change is not None else None,
            uncertainty=change.uncertainty if change is not None else None,
            margin=check.regression[spec.name],
            **numbers,
        )

    def _untold(
        self, check: Check, spec: MetricSpec | CurveSpec, channel: str | None, why: str
    ) -> Comparison:
        name = subject(check.name, spec.name, channel)
        return self._comparison(check, spec, channel, f"{name} cannot be compared: {why}")

    def _reading(self, check: Check, spec: MetricSpec, now: ReadingEntry, old: ReadingEntry) -> Comparison:
        margin = check.regression[spec.name]
        common = 0.0
        if spec.unit in VOLT_UNITS:
            common = self.same_volts * min(abs(now.value), abs(old.value))
        judged = self.done[check.name].judged.item(spec.name, now.channel)
        passes = judged is not None and judged.verdict is Verdict.PASS
        change = compare_values(
            now.measured, old.measured, spec.better, margin, self.sigmas, common=common, passes=passes
        )
        moved = moved_by(change, now.measured, old.measured, spec, self.sigmas)
        name = subject(check.name, spec.name, now.channel)
        text = answer_text(name, change, now.measured, old.measured, spec, margin, moved)
        numbers = {"value": now.value, "baseline_value": old.value}
        bounds = {"is_bound": now.bound, "baseline_is_bound": old.bound}
        return self._comparison(check, spec, now.channel, text, change, **numbers, **bounds, moved=moved)

    def _curve(self, check: Check, spec: CurveSpec, now: CurveEntry, old: CurveEntry) -> Comparison:
        margin = check.regression[spec.name]
        change = compare_profiles(now.profile(), old.profile(), spec.better, margin, self.sigmas)
        text = _curve_text(subject(check.name, spec.name, now.channel), change, spec, margin)
        numbers = {name: getattr(change, name) for name in ("value", "x", "compared", "bands")}
        return self._comparison(
            check,
            spec,
            now.channel,
            text,
            change,
            **numbers,
            baseline_value=change.base_value,
            x_unit=spec.x_unit,
        )


def _changed(check: Check, entry: CheckEntry) -> str | None:
    """Return in what a check is another than it was for the baseline; None where it is the same."""
    if entry.kind != check.kind.name:
        return f"the check is of kind {check.kind.name}, in the baseline of kind {entry.kind}; {_ACCEPT}"
    for what, now, old in (
        ("stimulus", check.stimulus, entry.stimulus),
        ("analysis", check.analysis, entry.analysis),
    ):
        names = _other_parameters(now, old)
        if names:
            listed = ", ".join(f"{what}.{name}" for name in names)
            return f"the check is not what it was for the baseline ({listed}); {_ACCEPT}"
    setup = dict(check.setup)
    names = sorted(
        name for name in setup.keys() | entry.setup.keys() if setup.get(name) != entry.setup.get(name)
    )
    if names:
        return f"the unit was set differently for the baseline ({', '.join(names)}); {_ACCEPT}"
    return None


def _other_parameters(now: Parameters, old: Mapping[str, Any]) -> list[str]:
    """Return the parameters that differ; one that a baseline does not know yet had its default."""
    values = now.model_dump(mode="json")
    defaults = type(now)().model_dump(mode="json")
    differing = [name for name in old if name not in values]
    for name, value in values.items():
        before = old.get(name, defaults[name] if value is not None else None)
        if not _same(value, before):
            differing.append(name)
    return differing


def _same(one: Any, other: Any) -> bool:  # noqa: ANN401 - any plain data
    if isinstance(one, float) and isinstance(other, float | int):
        try:
            return math.isclose(one, other, rel_tol=1e-12)
        except OverflowError:  # a whole number that no float can be
            return False
    if isinstance(one, list | tuple) and isinstance(other, list | tuple):
        return len(one) == len(other) and all(_same(a, b) for a, b in zip(one, other, strict=True))
    return bool(one == other)
