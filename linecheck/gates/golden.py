"""A golden unit against its own history: whether the station has moved, or drifts.

============================  ================================================================
:func:`compare_with_history`  a run of the unit against the runs accepted as its history
:class:`GoldenResult`         the result
:class:`Change`               one value, and whether it has moved
:func:`drifts`                the readings that drift, or have drifted, the furthest first
:class:`Drift`                one of them
============================  ================================================================

The unit is good, so any change, for better or worse, is the station's. The rule is that of regression
(:mod:`linecheck.limits.regression`) with the nominal value as the best one.

A drift is advisory, since unit and station drift alike. Each step may stay within its margin while all of them together
exceed it, especially when the history is accepted anew from time to time. So every reading is also compared with the
very first run, and a straight line is fitted through its values, run by run: by their order, because no wall clock can
be trusted over months.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

import numpy as np

from linecheck.checks.base import CurveSpec, MetricSpec
from linecheck.checks.parts.declared import difference_unit
from linecheck.checks.parts.volts import VOLT_UNITS
from linecheck.gates.log_queries import GoldenValue
from linecheck.gates.margins import Margin
from linecheck.history.baseline.accept import combined_unit
from linecheck.history.baseline.file import CurveEntry, ReadingEntry, UnitEntry
from linecheck.history.baseline.unit_entry import compared, items_of, unit_entry, why_missing
from linecheck.limits.curve_profile import CurveChange, Lattice, compare_profiles
from linecheck.limits.model import Check, LimitFile
from linecheck.limits.regression import Answer, alarm_sigmas, compare_values, margin_needed
from linecheck.limits.regression import Change as ValueChange
from linecheck.limits.verdict import Verdict
from linecheck.results.wording import findings, number, signed, subject
from linecheck.run.model import CheckOutcome, Run

#: A default margin grows with the uncertainty of what is compared up to so many times itself.
MAX_GROWN: Final = 10.0

Margins = Mapping[str, Mapping[str, Margin]]
Lattices = dict[tuple[str, str, str | None], Lattice]
What = Literal["unmoved", "moved", "untold", "unresolved"]


@dataclass(frozen=True)
class Change:
    """One metric or curve in one channel (None for the pair).

    Attributes
    ----------
    what : str
        ``unmoved``, ``moved``; ``untold`` where a change may hide, ``unresolved`` where one may and nobody has chosen
        a margin for it.
    text : str
        A whole sentence.
    value, reference, by, uncertainty, margin : float or None
        In ``unit``; ``by`` is the change, ``uncertainty`` its standard uncertainty (k = 1).
    """

    check: str
    metric: str
    channel: str | None
    what: What
    text: str
    unit: str = ""
    value: float | None = None
    reference: float | None = None
    by: float | None = None
    uncertainty: float | None = None
    margin: float | None = None

    @property
    def size(self) -> float:
        """The change in margins; 0 where there is none."""
        return abs(self.by) / self.margin if self.by is not None and self.margin else 0.0


@dataclass(frozen=True)
class GoldenResult:
    """Whether a golden unit is unmoved; ``reasons`` say why not, worst first."""

    met: bool
    reasons: tuple[str, ...]
    changes: tuple[Change, ...] = ()

    def those(self, what: What) -> tuple[Change, ...]:
        """Return the changes of one sort, the largest first."""
        found = (each for each in self.changes if each.what == what)
        return tuple(sorted(found, key=lambda each: -each.size))


def _not_judged(outcome: Run) -> tuple[str, ...]:
    """Return why a run of a golden unit says nothing about the station; empty if the unit is within limits."""
    if outcome.verdict in (Verdict.PASS, Verdict.MARGINAL):
        return ()
    told = findings(outcome.checks, outcome.missing, outcome.problems)
    if outcome.verdict is Verdict.FAIL:
        return ("it is outside the limits of its model", *told)
    return (f"the run is {outcome.verdict.value}", *told)


def compare_with_history(
    outcome: Run, history: Sequence[Run], limits: LimitFile, margins: Margins
) -> GoldenResult:
    """Compare a run of a golden unit with the runs accepted as its history.

    Parameters
    ----------
    outcome : Run
    history : sequence of Run
        One or more, of the same unit.
    limits : LimitFile
        The one that the run was judged by.
    margins : mapping
        :func:`~linecheck.gates.margins.golden_margins`.
    """
    wrong = _not_judged(outcome)
    lattices: Lattices = {}
    base = combined_history(history, limits, margins, lattices)
    new = unit_entry(replace(outcome, limits=_with_margins(limits, margins)), lattices)
    held = GoldenResult(not wrong, wrong, tuple(_Held(outcome, margins, new, base, history[-1]).changes()))
    found = [change.text for change in (*held.those("moved"), *held.those("untold"))]
    if not any(change.what in ("moved", "unmoved") for change in held.changes):
        found.append("nothing could be compared with its history")
    return replace(held, met=not (wrong or found), reasons=(*wrong, *found))


def combined_history(
    history: Sequence[Run], limits: LimitFile, margins: Margins, lattices: Lattices
) -> UnitEntry:
    """Return the combined values of a unit's history.

    Raises
    ------
    UsageError
        They are of different firmware or stimuli, or contradict each other.
    """
    ours = _with_margins(limits, margins)
    # Its runs as a comparison takes them, by the masks of today.
    return combined_unit([replace(record, limits=ours, record=None) for record in history], lattices)


def _with_margins(limits: LimitFile, margins: Margins) -> LimitFile:
    """Return a limit file whose margins of regression are those of the golden unit."""
    checks = tuple(
        replace(check, regression={name: margin.size for name, margin in margins.get(check.name, {}).items()})
        for check in limits.checks
    )
    return replace(limits, checks=checks)


@dataclass
class _Held:
    """What each comparison of a run needs."""

    outcome: Run
    margins: Margins
    new: UnitEntry
    base: UnitEntry
    record: Run
    sigmas: float = field(init=False)
    same_volts: float = field(init=False)

    def __post_init__(self) -> None:
        self.sigmas = alarm_sigmas(self.base.comparisons)
        one = self.new.certificate is not None and self.new.certificate == self.base.certificate
        percents = (self.new.volts_uncertainty_percent or 0.0, self.base.volts_uncertainty_percent or 0.0)
        self.same_volts = 0.01 * min(percents) if one else 0.0

    def changes(self) -> Iterator[Change]:
        done = {check.check: check for check in self.outcome.checks}
        new, base = ({entry.name: entry for entry in unit.check} for unit in (self.new, self.base))
        for check in _with_margins(self.outcome.limits, self.margins).checks:
            if not check.regression:
                continue
            incomparable = self._incomparable(check, done.get(check.name))
            items, kept = (items_of(side.get(check.name), check) for side in (new, base))
            for spec, channel in compared(check, self.outcome.limits.channels):
                now, old = (side.get((spec.name, channel)) for side in (items, kept))
                why = incomparable
                if why is None and now is None:
                    why = why_missing(done[check.name], spec.name, channel)
                elif why is None and old is None:
                    why = "its history has no value: accept a new reference (--accept)"
                yield self._change(check, spec, channel, now, old, why)

    def _incomparable(self, check: Check, done: CheckOutcome | None) -> str | None:
        """Return why a check cannot be compared with the history as a whole; None where it can."""
        if done is None:
            return "the check was not run"
        kept = next((entry for entry in self.record.checks if entry.check == check.name), None)
        again = "accept a new reference (--accept)"
        if kept is None:
            return f"its history has no such check: {again}"
        if kept.kind != done.kind or kept.stimulus_sha256 != done.stimulus_sha256:
            return f"its history was taken with another stimulus: {again}"
        if dict(kept.setup) != dict(done.setup):
            return f"its history was taken under another setup: {again}"
        then = self.record.limits_of(check.name)
        if _differ(check.analysis_values, {} if then is None else then.analysis_values):
            return f"its history was analysed with other parameters: {again}"
        return None

    def _change(
        self,
        check: Check,
        spec: MetricSpec | CurveSpec,
        channel: str | None,
        now: ReadingEntry | CurveEntry | None,
        old: ReadingEntry | CurveEntry | None,
        why: str | None,
    ) -> Change:
        name = subject(check.name, spec.name, channel)
        margin = self.margins[check.name][spec.name]
        size = margin.size
        change: ValueChange | CurveChange
        value: float | None
        base: float | None
        if why is None and isinstance(now, ReadingEntry) and isinstance(old, ReadingEntry):
            change, size = self._readings(spec, margin, now, old)
            value, base, texts = now.value, old.value, [_number(now), _number(old)]
        elif why is None and isinstance(now, CurveEntry) and isinstance(old, CurveEntry):
            change = compare_profiles(now.profile(), old.profile(), spec.better, size, self.sigmas)
            value, base = change.value, change.base_value
            texts = [number(each, spec.unit) for each in (value, base)]
            name += "" if change.x is None else f" at {number(change.x, now.x_unit, 4)}"
        else:
            text = f"{name} cannot be compared with its history: {why or 'it has another form there'}"
            return Change(check.name, spec.name, channel, "untold", text, spec.unit, margin=size)
        by = None if value is None or base is None else value - base
        what = _what(change.answer, change.verdict, margin.chosen)
        text = _text(name, what, texts, by, spec.unit, size, change.uncertainty)
        numbers = (value, base, by, change.uncertainty, size)
        return Change(check.name, spec.name, channel, what, text, spec.unit, *numbers)

    def _readings(
        self, spec: MetricSpec | CurveSpec, margin: Margin, now: ReadingEntry, old: ReadingEntry
    ) -> tuple[ValueChange, float]:
        """Return how a reading has changed, and its margin; a default margin grows with the uncertainty."""
        size = margin.size
        if not margin.chosen:
            needed = margin_needed(math.hypot(now.uncertainty, old.uncertainty), self.sigmas)
            size = min(max(size, needed), MAX_GROWN * size)
        common = 0.0
        if spec.unit in VOLT_UNITS:
            common = self.same_volts * min(abs(now.value), abs(old.value))
        better = spec.better if now.bound or old.bound else "nominal"
        return compare_values(now.measured, old.measured, better, size, self.sigmas, common=common), size


def _what(answer: Answer, verdict: Verdict, chosen: bool) -> What:
    if answer in (Answer.WORSE, Answer.BETTER):
        return "moved"
    if verdict is Verdict.INVALID:
        return "untold" if chosen else "unresolved"
    return "unmoved"


def _text(
    name: str,
    what: What,
    texts: Sequence[str],
    by: float | None,
    unit: str,
    margin: float,
    uncertainty: float | None,
) -> str:
    apart = difference_unit(unit)
    (now, old), allowed = texts, number(margin, apart, 3)
    if what == "moved":
        moved = "–" if by is None else signed(by, apart, 3)
        return f"{name} has moved by {moved} to {now}, from {old}; {allowed} is allowed"
    if what == "unmoved":
        return f"{name} is {now}, {old} in its history"
    return (
        f"{name} is {now}, {old} in its history: too uncertain to tell a change of {allowed} "
        f"(standard uncertainty {number(uncertainty, apart, 2)})"
    )


def _number(entry: ReadingEntry) -> str:
    return number(entry.value, entry.unit) + " or better" * entry.bound


def _differ(one: Mapping[str, Any], other: Mapping[str, Any]) -> bool:
    """Return whether parameters that both have differ."""
    return any(one[name] != other[name] for name in one.keys() & other.keys())


#: Fewer runs make no line.
MIN_RUNS: Final = 5
#: A slope that is less than so many of its own standard errors is scatter.
MIN_SIGMAS: Final = 4.0
#: A drift of less than this share of the margin is not worth a word.
MIN_SHARE: Final = 0.5


@dataclass(frozen=True)
class Drift:
    """A reading that has drifted from its first value, or drifts.

    Attributes
    ----------
    since_first : float
        By how much the last value differs from the first one, in ``unit``.
    a_run : float or None
        The slope, in ``unit`` a run; None where it is no more than scatter.
    runs : int
        How many there are.
    margin : float
    """

    check: str
    metric: str
    channel: str | None
    unit: str
    first: float
    last: float
    a_run: float | None
    runs: int
    margin: float

    @property
    def since_first(self) -> float:
        """By how much the last value differs from the first one."""
        return self.last - self.first

    @property
    def text(self) -> str:
        """The drift in words."""
        name = subject(self.check, self.metric, self.channel)
        apart = difference_unit(self.unit)
        text = f"{name} was {number(self.first, self.unit)} in its first run and is {number(self.last, self.unit)} now"
        text += f" ({signed(self.since_first, apart, 3)}; {number(self.margin, apart, 3)} is allowed per run)"
        if self.a_run is not None:
            text += f", by {signed(self.a_run, apart, 2)} a run over {self.runs} runs"
        return text


def drifts(values: Iterable[GoldenValue], margins: Mapping[str, Mapping[str, Margin]]) -> tuple[Drift, ...]:
    """Return the readings of a golden unit that have drifted from their first value, or drift.

    Parameters
    ----------
    values : iterable of GoldenValue
        The oldest first. What was played otherwise before counts from the first run of the stimulus of today.
    margins : mapping
        :func:`~linecheck.gates.margins.golden_margins`; what has none is left out.
    """
    series: dict[tuple[str, str, str | None], list[GoldenValue]] = {}
    for value in values:
        if value.metric in margins.get(value.check, {}):
            series.setdefault((value.check, value.metric, value.channel), []).append(value)
    found = [_drift(items, margins[name][metric].size) for (name, metric, _), items in series.items()]
    told = [drift for drift in found if drift is not None]
    return tuple(sorted(told, key=lambda drift: -abs(drift.since_first) / drift.margin))


def _drift(items: list[GoldenValue], margin: float) -> Drift | None:
    now = items[-1]
    alike = [
        item
        for item in items
        if item.stimulus_sha256 == now.stimulus_sha256 and item.unit == now.unit and math.isfinite(item.value)
    ]
    if len(alike) < 2:
        return None
    readings = np.array([item.value for item in alike])
    slope = _slope(readings)
    first, last = float(readings[0]), float(readings[-1])
    going = abs(slope or 0.0) * (len(alike) - 1)
    if abs(last - first) <= margin and going <= MIN_SHARE * margin:
        return None
    return Drift(now.check, now.metric, now.channel, now.unit, first, last, slope, len(alike), margin)


def _slope(readings: np.ndarray) -> float | None:
    """Return the slope of a line through values at equal steps; None if scatter explains it."""
    count = len(readings)
    if count < MIN_RUNS:
        return None
    steps = np.arange(count) - 0.5 * (count - 1)
    spread = float(np.sum(steps**2))
    slope = float(np.sum(steps * readings)) / spread
    rest = readings - readings.mean() - slope * steps
    error = math.sqrt(float(np.sum(rest**2)) / (count - 2) / spread)
    return slope if abs(slope) > MIN_SIGMAS * error and slope != 0.0 else None
