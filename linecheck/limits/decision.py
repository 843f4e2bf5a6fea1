"""The decision rule: from readings and masks to verdicts.

=========================  =======================================================
:func:`judge_reading`      one value against one mask
:func:`judge_curve`        a curve against one mask, by its worst point
:func:`judge_measurement`  everything that one check has measured
=========================  =======================================================

Limits are inclusive: a value on a limit is inside it. ``simple``: inside the pass mask passes, outside the
fail mask fails, between them is marginal; a mask without a fail mask fails what it does not pass.

``guarded``: the pass mask shrinks by the expanded uncertainty U = 2u on each side, the fail mask stays. A
mask without a fail mask fails what lies outside the pass mask as it is written, and what lies between is
marginal. These are the acceptance side of the non-binary rule of ILAC-G8:09/2019, 4.2, with w = U: pass is
its pass (less than 2.5 % of false acceptance for a normal distribution), marginal its conditional pass; its
conditional fail and its fail are both a fail here, because what lies outside the limits as they are written
is never shipped on the strength of the uncertainty.

A value that is only a bound, the truth being that or better, has a verdict where the truth has the same wherever it
may lie; else it is invalid.

What is missing, not finite, or void by a problem is invalid, never a pass.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from linecheck.checks.base import Curve, CurveSpec, Measurement, Problem, Reading
from linecheck.checks.parts.declared import Better
from linecheck.checks.parts.volts import is_uncalibrated
from linecheck.dsp.arrays import FloatArray
from linecheck.limits.masks import extent, limit_at
from linecheck.limits.model import Check, Decision, Mask
from linecheck.limits.verdict import JudgedCurve, JudgedMeasurement, JudgedReading, Verdict

#: U = k u; about 95 % for a normal distribution.
COVERAGE_FACTOR = 2.0

#: On which side of a bound the truth may lie.
SIDES: Final[Mapping[str, int]] = {"more": 1, "less": -1, "nominal": 0}
_RANKED = (Verdict.PASS, Verdict.MARGINAL, Verdict.FAIL)
#: A curve over frequency may end this much short of its mask, relative to its end: a third of a semitone.
END_TOLERANCE = 0.02
#: How many neighbouring points tell how densely a curve is sampled near its end.
_NEIGHBOURS = 8


@dataclass(frozen=True)
class _Worst:
    """The worst of the judged points."""

    index: int
    verdict: Verdict
    margin: float | None
    limit: float | None
    fail_limit: float | None
    side: str | None


def judge_reading(
    mask: Mask | None, reading: Reading, decision: Decision, better: Better = "nominal"
) -> JudgedReading:
    """Judge one reading; without a mask its verdict is None.

    A value or uncertainty that is not finite becomes None. The verdict is invalid without a value, by the guarded rule
    without an uncertainty, and where a value that is only a bound proves none (:func:`bounds_prove`): ``better`` says
    on which side of it the truth may lie.
    """
    value, uncertainty = _finite(reading.value), _finite(reading.uncertainty)
    reading = replace(reading, value=value, uncertainty=uncertainty)
    if mask is None:
        return JudgedReading(reading)
    guard = _guard(None if uncertainty is None else np.array([uncertainty]), decision)
    if value is None or guard is None:
        return JudgedReading(reading, Verdict.INVALID)
    at, values = np.array([1.0]), np.array([value])
    worst = _judge_points(mask, at, values, False, guard, decision)
    if worst is None:
        return JudgedReading(reading, Verdict.INVALID)
    if reading.is_bound:
        rank, side = np.array([[_RANKED.index(worst.verdict)], [SIDES[better]]], np.int8)
        if not bounds_prove(rank, values, guard, limits_at(mask, at, False), side)[0]:
            return JudgedReading(reading, Verdict.INVALID)
    return JudgedReading(reading, worst.verdict, worst.margin, worst.limit, worst.fail_limit, worst.side)


def bounds_prove(
    ranks: NDArray[np.int8],
    values: FloatArray,
    guard: FloatArray,
    limits: Sequence[FloatArray],
    sides: NDArray[np.int8],
) -> NDArray[np.bool_]:
    """Return whether the truth stands where its bound does, wherever on its better side it may lie.

    A pass is proven where neither mask has a limit on that side; a fail where the bound, with its guard, lies beyond
    the fail mask there; a marginal value where it lies so beyond the pass mask and the fail mask has no limit there.

    Parameters
    ----------
    ranks : int8 array, shape (values,)
        Those of the bounds themselves, by :func:`point_ranks`.
    values, guard : float64 array, shape (values,)
    limits : sequence of float64 array
        As :func:`limits_at` returns them, for each value.
    sides : int8 array, shape (values,)
        On which side the truth may lie: 1 above, -1 below, 0 not known.
    """
    lower, upper, fail_lower, fail_upper = limits
    # Mirrored where more is better, the truth lies at the bound or below it.
    bound = np.where(sides < 0, values, -values) + guard
    limit, fail_limit = np.where(sides < 0, lower, -upper), np.where(sides < 0, fail_lower, -fail_upper)
    passes = (ranks == 0) & np.isnan(limit) & np.isnan(fail_limit)
    marginal = (ranks == 1) & (bound < limit) & np.isnan(fail_limit)
    fails = (ranks == 2) & (bound < fail_limit)
    proven: NDArray[np.bool_] = (passes | marginal | fails) & (sides != 0)
    return proven


def judge_curve(mask: Mask | None, curve: Curve, log_x: bool, decision: Decision) -> JudgedCurve:
    """Judge a curve by its worst point: the worst verdict, and of those the smallest margin.

    The mask judges the curve's own points; between them nothing was measured. The verdict is invalid where
    a point is not finite (the curve is emptied), where the curve ends short of the mask by more than the
    distance between its points, its resolution or 2 % of a frequency, and, by the guarded rule, without an
    uncertainty.

    Parameters
    ----------
    mask : Mask or None
        None judges nothing.
    curve : Curve
    log_x : bool
        Whether limits are straight over the logarithm of x.
    decision : {"simple", "guarded"}
    """
    curve = _sound(curve)
    if mask is None:
        return JudgedCurve(curve)
    guard = _guard(curve.uncertainty, decision)
    if guard is None or not reaches(curve, mask, log_x):
        return JudgedCurve(curve, Verdict.INVALID)
    worst = _judge_points(mask, curve.x, curve.y, log_x, guard, decision)
    if worst is None:
        return JudgedCurve(curve, Verdict.INVALID)
    x, y = float(curve.x[worst.index]), float(curve.y[worst.index])
    return JudgedCurve(curve, worst.verdict, x, y, worst.margin, worst.limit, worst.fail_limit, worst.side)


def _finite(value: float | None) -> float | None:
    return float(value) if value is not None and np.isfinite(value) else None


def _guard(uncertainty: FloatArray | None, decision: Decision) -> FloatArray | None:
    """Return how far the pass mask shrinks at each point; None where the guarded rule lacks it."""
    if decision == "simple":
        return np.zeros(1)
    if uncertainty is None:
        return None
    guard, known = guards(uncertainty)
    return guard if np.all(known) else None


def guards(uncertainty: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Return by how much the guarded rule shrinks the pass mask on each side, and where that is known; 0 elsewhere."""
    with np.errstate(over="ignore", invalid="ignore"):
        guard = COVERAGE_FACTOR * uncertainty
        known = np.isfinite(guard) & (uncertainty >= 0.0)
    return np.where(known, guard, 0.0), known


def _judge_points(
    mask: Mask, x: FloatArray, y: FloatArray, log_x: bool, guard: FloatArray, decision: Decision
) -> _Worst | None:
    """Judge every point and return the worst; None where no limit applies to any of them."""
    written_lower, written_upper, fail_lower, fail_upper = limits_at(mask, x, log_x)
    lower, upper = written_lower + guard, written_upper - guard
    rank, margin, judged = point_ranks(y, lower, upper, fail_lower, fail_upper)
    if not np.any(judged):
        return None
    order = np.lexsort((np.where(np.isnan(margin), np.inf, margin), -rank, ~judged))
    index = int(order[0])
    side = None
    if not np.isnan(margin[index]):
        side = "min" if margin[index] == (y - lower)[index] else "max"
    limit, fail_limit = {
        "min": (lower, fail_lower),
        "max": (upper, fail_upper),
        None: (margin, margin),
    }[side]
    # Without a fail mask and without a guard the fail limit would say what the limit says.
    named = mask.fail is not None or decision == "guarded"
    return _Worst(
        index,
        _RANKED[int(rank[index])],
        _number(margin[index]),
        _number(limit[index]),
        _number(fail_limit[index]) if named else None,
        side,
    )


def limits_at(
    mask: Mask, x: FloatArray, log_x: bool
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Return the pass mask's min and max and the fail mask's at each x, as they are written.

    NaN where there is no limit; without a fail mask the last two are the pass mask's.
    """
    outer = mask.fail if mask.fail is not None else mask.pass_
    lower, upper, fail_lower, fail_upper = (
        limit_at(limit, x, log_x) for limit in (mask.pass_.min, mask.pass_.max, outer.min, outer.max)
    )
    return lower, upper, fail_lower, fail_upper


def point_ranks(
    y: FloatArray, lower: FloatArray, upper: FloatArray, fail_lower: FloatArray, fail_upper: FloatArray
) -> tuple[NDArray[np.int8], FloatArray, NDArray[np.bool_]]:
    """Return where each value stands: 0 passes, 1 is marginal, 2 fails; its margin; and whether a limit judges it.

    Parameters
    ----------
    y, lower, upper, fail_lower, fail_upper : float64 array, shapes that broadcast
        Finite values, the pass mask as it is after the guard, and the fail mask (the pass mask as it is written where
        there is none); NaN where there is no limit.
    """
    margin = np.fmin(y - lower, upper - y)
    failed = (y < fail_lower) | (y > fail_upper)
    rank = np.where(failed, np.int8(2), np.where((y < lower) | (y > upper), np.int8(1), np.int8(0)))
    judged = ~(np.isnan(margin) & np.isnan(fail_lower) & np.isnan(fail_upper))
    return rank, margin, judged


def _number(value: float) -> float | None:
    return None if np.isnan(value) else float(value)


def _sound(curve: Curve) -> Curve:
    """Return the curve without anything that is not finite: emptied, or without its uncertainty."""
    if not (np.all(np.isfinite(curve.x)) and np.all(np.isfinite(curve.y))):
        return _emptied(curve)
    if curve.uncertainty is not None and not np.all(np.isfinite(curve.uncertainty)):
        return replace(curve, uncertainty=None)
    return curve


def _emptied(curve: Curve) -> Curve:
    return replace(curve, x=np.empty(0), y=np.empty(0), uncertainty=None)


def _ends(mask: Mask) -> list[tuple[float, float]]:
    """Return where each limit along the axis starts and ends; a flat limit has no ends."""
    return [extent(limit) for limit in mask.limits.values() if isinstance(limit, tuple)]


def reaches(curve: Curve, mask: Mask, log_x: bool) -> bool:
    """Return whether a curve reaches the ends of every limit, as closely as its points tell."""
    x = curve.x
    if not len(x):
        return False
    gaps = np.diff(x)
    least = curve.resolution_hz or 0.0
    relative = END_TOLERANCE if log_x else 1e-9
    first = x[0] - max(np.max(gaps[:_NEIGHBOURS], initial=least), relative * abs(x[0]))
    last = x[-1] + max(np.max(gaps[-_NEIGHBOURS:], initial=least), relative * abs(x[-1]))
    return all(bool(first <= start and stop <= last) for start, stop in _ends(mask))


def judge_measurement(
    check: Check,
    measurement: Measurement,
    decision: Decision,
    channels: tuple[str, ...],
    *,
    guarded: Collection[str] = (),
) -> JudgedMeasurement:
    """Judge everything that one check has measured.

    A problem that blocks makes every reading and curve of its channel (of all channels where it names none)
    and of the pair None; what a mask judges is then invalid. Every masked metric gives one judged reading
    or curve per channel, or one for the pair: what the measurement lacks is added as an invalid one. Every
    value that is missing is explained by a problem; ``not_measured`` and ``uncertainty_unknown`` are added
    where the measurement gave no reason. The metrics and curves that ``guarded`` names are judged by the guarded rule
    whatever the decision is otherwise.
    """

    def rule(metric: str) -> Decision:
        return "guarded" if metric in guarded else decision

    void = Void.of(measurement.problems, channels)
    readings = [
        judge_reading(
            check.masks.get(item.metric),
            void.reading(item),
            rule(item.metric),
            check.better(item.metric),
        )
        for item in measurement.readings
    ]
    curves = [
        judge_curve(
            check.masks.get(item.metric),
            void.curve(item),
            check.is_logarithmic(item.metric),
            rule(item.metric),
        )
        for item in measurement.curves
    ]
    measured: tuple[Reading | Curve, ...] = (*measurement.readings, *measurement.curves)
    there = {(item.metric, item.channel) for item in measured}
    nothing = np.empty(0)
    for spec, channel in check.judged(channels):
        if (spec.name, channel) in there:
            continue
        if isinstance(spec, CurveSpec):
            curve = Curve(spec.name, channel, nothing, spec.x_unit, nothing, spec.unit)
            curves.append(JudgedCurve(curve, Verdict.INVALID))
        else:
            reading = Reading(spec.name, channel, None, spec.unit, None)
            readings.append(JudgedReading(reading, Verdict.INVALID))
    problems = (*measurement.problems, *_unexplained(check, measurement.problems, void, readings, curves))
    return JudgedMeasurement(tuple(readings), tuple(curves), problems)


@dataclass(frozen=True)
class Void:
    """Which channels' readings are void."""

    everything: bool
    channels: frozenset[str]

    @classmethod
    def of(cls, problems: Iterable[Problem], channels: tuple[str, ...]) -> Void:
        """Return what problems void; one of a channel that there is not voids everything."""
        named = {problem.channel for problem in problems if problem.blocks}
        return cls(not named <= set(channels), frozenset(name for name in named if name is not None))

    def covers(self, channel: str | None) -> bool:
        """Return whether a channel (None: the pair) is void."""
        return self.everything or channel in self.channels or (channel is None and bool(self.channels))

    def reading(self, reading: Reading) -> Reading:
        """Return a reading, without its value where it is void."""
        return replace(reading, value=None, uncertainty=None) if self.covers(reading.channel) else reading

    def curve(self, curve: Curve) -> Curve:
        """Return a curve, emptied where it is void."""
        return _emptied(curve) if self.covers(curve.channel) else curve


def _unexplained(
    check: Check,
    problems: Iterable[Problem],
    void: Void,
    readings: Iterable[JudgedReading],
    curves: Iterable[JudgedCurve],
) -> Iterator[Problem]:
    """Yield a problem for every missing value and invalid verdict that no problem explains yet."""
    explained = {(metric, problem.channel) for problem in problems for metric in problem.metrics}

    def open_question(metric: str, channel: str | None) -> bool:
        pair = channel is None and any(metric == name for name, _ in explained)
        return not (void.covers(channel) or pair or {(metric, channel), (metric, None)} & explained)

    missing: dict[str | None, list[str]] = {}
    others: list[Problem] = []
    judged: list[JudgedReading | JudgedCurve] = [*readings, *curves]
    for item in judged:
        measured = item.measured
        metric, channel = measured.metric, measured.channel
        empty = measured.value is None if isinstance(measured, Reading) else not len(measured.x)
        if not (empty or item.verdict is Verdict.INVALID) or not open_question(metric, channel):
            continue
        if empty:
            missing.setdefault(channel, []).append(metric)
        elif isinstance(measured, Curve) and not reaches(
            measured, check.masks[metric], check.is_logarithmic(metric)
        ):
            others.append(_short(measured, check.masks[metric]))
        elif isinstance(measured, Reading) and measured.is_bound:
            reason = (
                f"{metric} is {measured.value:.6g} {measured.unit} or better; how much better could not be told, "
                "so the mask is not judged"
            )
            others.append(Problem("unresolved", reason, channel, blocks=False, metrics=(metric,)))
        else:
            reason = f"{metric} has no uncertainty, without which the guarded rule cannot judge it"
            if isinstance(measured, Reading) and is_uncalibrated(measured):
                reason += ": the calibration of its volts was not stated"
            others.append(Problem("uncertainty_unknown", reason, channel, blocks=False, metrics=(metric,)))
    for channel, metrics in missing.items():
        reason = f"{', '.join(metrics)} could not be measured"
        yield Problem("not_measured", reason, channel, blocks=False, metrics=tuple(metrics))
    yield from others


def _short(curve: Curve, mask: Mask) -> Problem:
    """Say that a curve does not reach as far as its mask."""
    ends = _ends(mask)
    first, last = min(start for start, _ in ends), max(stop for _, stop in ends)
    message = (
        f"{curve.metric} was measured from {curve.x[0]:.6g} to {curve.x[-1]:.6g} {curve.x_unit}, "
        f"its mask goes from {first:.6g} to {last:.6g} {curve.x_unit}"
    )
    return Problem("not_measured", message, curve.channel, blocks=False, metrics=(curve.metric,))
