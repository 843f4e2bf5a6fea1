"""Every metric and curve of all sides, with each difference from the first side's.

Whether a difference means anything is the rule of regression (:mod:`linecheck.limits.regression`) with the accuracy of
the checks for a margin: beyond it, and beyond so many standard uncertainties that in all that is compared one false
difference has a chance of 0.5 %.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from linecheck.checks import kinds
from linecheck.checks.base import Curve, CurveSpec, MetricSpec, Reading
from linecheck.history.comparison.accuracy import accuracy
from linecheck.history.comparison.alike import known_alike, reaches_alike, same_volts, unlike
from linecheck.history.comparison.model import ComparedCurve, ComparedValue, CurveDifference, Difference
from linecheck.history.comparison.sides import Picked
from linecheck.limits.curve_profile import Profile, compare_profiles, lattice_for, profile_of
from linecheck.limits.regression import Answer, Measured, compare_values
from linecheck.limits.verdict import Verdict

__all__ = ["compared_curves", "compared_values", "comparisons_in"]

_ABSENT = "one side has no such value"
_BOUND = "one of the values is only a bound"
_PLACE = "is where an extreme lies, which noise moves"


def shared_checks(sides: Sequence[Picked]) -> list[tuple[str, str]]:
    """Return the checks that two sides or more have, with their kind, in the order of the first that has them."""
    names = dict.fromkeys(name for side in sides for name in side.checks)
    found = []
    for name in names:
        if name in sides[0].checks and sum(name in side.checks for side in sides) > 1:
            found.append((name, sides[0].checks[name].kind))
    return found


def _channels(sides: Sequence[Picked], per_channel: bool) -> tuple[str | None, ...]:
    return sides[0].view.limits.channels if per_channel else (None,)


def _readings(
    sides: Sequence[Picked], check: str, metric: str, channel: str | None
) -> Iterator[tuple[Reading | None, Verdict | None]]:
    for side in sides:
        judged = side.checks[check].judged.readings if check in side.checks else ()
        found = next(
            (item for item in judged if (item.reading.metric, item.reading.channel) == (metric, channel)),
            None,
        )
        yield (None, None) if found is None else (found.reading, found.verdict)


def comparisons_in(sides: Sequence[Picked]) -> int:
    """Return how many differences are looked at: none where a side has no value, or where it may not be compared."""
    values = sum(
        difference.difference is not None and difference.why in ("", _BOUND)
        for entry in compared_values(sides, math.inf)
        for difference in entry.differences
    )
    return values + sum(count for _, count in _curve_sizes(sides))


def compared_values(sides: Sequence[Picked], sigmas: float) -> tuple[ComparedValue, ...]:
    """Return every metric that any side has."""
    return tuple(
        value
        for check, kind in shared_checks(sides)
        for spec in kinds()[kind].metrics
        for channel in _channels(sides, spec.per_channel)
        if (value := _compared_value(sides, check, kind, spec, channel, sigmas)) is not None
    )


def _compared_value(
    sides: Sequence[Picked], check: str, kind: str, spec: MetricSpec, channel: str | None, sigmas: float
) -> ComparedValue | None:
    pairs = list(_readings(sides, check, spec.name, channel))
    if all(reading is None or reading.value is None for reading, _ in pairs):
        return None
    first = pairs[0][0]
    return ComparedValue(
        check=check,
        kind=kind,
        metric=spec.name,
        text=spec.text,
        channel=channel,
        unit=spec.unit,
        better=spec.better,
        readings=tuple(reading for reading, _ in pairs),
        verdicts=tuple(verdict for _, verdict in pairs),
        differences=tuple(
            _difference(reading, first, spec, sigmas, _Pair(sides[0], side, check))
            for (reading, _), side in zip(pairs[1:], sides[1:], strict=True)
        ),
        mask=sides[0].view.mask(sides[0].checks[check].check, spec.name),
    )


@dataclass(frozen=True)
class _Pair:
    """The first side and another one, at a check."""

    first: Picked
    other: Picked
    check: str

    def refusal(self, spec: MetricSpec | CurveSpec) -> str:
        """Return why a metric of theirs is not compared; empty where it is."""
        why = unlike(self.first, self.other, self.check)
        if why is not None:
            return why
        one, two = self.first.checks.get(self.check), self.other.checks.get(self.check)
        if spec.difference.to_edge and one is not None and two is not None and not reaches_alike(one, two):
            return "one capture reaches further in frequency"
        return _PLACE if spec.difference.is_place else ""


def _difference(
    new: Reading | None, base: Reading | None, spec: MetricSpec, sigmas: float, pair: _Pair
) -> Difference:
    if new is None or base is None or new.value is None or base.value is None:
        return Difference(None, None, False, None, _ABSENT)
    difference = new.value - base.value
    new_spread, base_spread = (known_alike(pair.first, pair.other, each) for each in (new, base))
    if new_spread is None or base_spread is None:
        return Difference(difference, None, False, None, "how well it is known is not stated")
    common = same_volts(pair.first, pair.other, base, new)
    square = new_spread**2 + base_spread**2 - 2.0 * common**2
    uncertainty = math.sqrt(max(square, 0.0))
    signed = _worse_by(difference, spec)
    why = pair.refusal(spec)
    if why:
        return Difference(difference, uncertainty, False, signed, why)
    change = compare_values(
        Measured(new.value, new_spread, new.is_bound),
        Measured(base.value, base_spread, base.is_bound),
        spec.better,
        accuracy(spec),
        sigmas,
        common=common,
    )
    real = change.answer in (Answer.WORSE, Answer.BETTER)
    why = "" if real or not (new.is_bound or base.is_bound) else _BOUND
    return Difference(difference, uncertainty, real, signed, why)


def _curve_specs(
    sides: Sequence[Picked],
) -> Iterator[tuple[str, str, CurveSpec, str | None, tuple[Curve | None, ...]]]:
    for check, kind in shared_checks(sides):
        for spec in kinds()[kind].curves:
            for channel in _channels(sides, spec.per_channel):
                curves = tuple(_curve(side, check, spec.name, channel) for side in sides)
                if any(curve is not None for curve in curves):
                    yield check, kind, spec, channel, curves


def _curve(side: Picked, check: str, metric: str, channel: str | None) -> Curve | None:
    judged = side.checks[check].judged.curves if check in side.checks else ()
    found = (item.curve for item in judged if (item.curve.metric, item.curve.channel) == (metric, channel))
    curve = next(found, None)
    return curve if curve is not None and len(curve.x) else None


def _curve_sizes(sides: Sequence[Picked]) -> Iterator[tuple[str, int]]:
    for check, _, spec, _, curves in _curve_specs(sides):
        profile, *others = _profiles(curves, spec)
        if profile is not None:
            held = sum(
                other is not None and not _Pair(sides[0], side, check).refusal(spec)
                for other, side in zip(others, sides[1:], strict=True)
            )
            yield spec.name, profile.comparisons * held


def _profiles(curves: Sequence[Curve | None], spec: CurveSpec) -> list[Profile | None]:
    first = curves[0]
    if first is None:
        return [None] * len(curves)
    lattice = lattice_for(first, log_x=spec.log_x, better=spec.better)
    return [None if curve is None else profile_of(curve, lattice, spec.better) for curve in curves]


def compared_curves(sides: Sequence[Picked], sigmas: float) -> tuple[ComparedCurve, ...]:
    """Return every curve that any side has."""
    found = []
    for check, kind, spec, channel, curves in _curve_specs(sides):
        profiles = _profiles(curves, spec)
        x_unit = next(curve.x_unit for curve in curves if curve is not None)
        found.append(
            ComparedCurve(
                check=check,
                kind=kind,
                metric=spec.name,
                text=spec.text,
                channel=channel,
                x_unit=x_unit,
                unit=spec.unit,
                log_x=spec.log_x,
                better=spec.better,
                curves=curves,
                differences=tuple(
                    _curve_difference(
                        profile, profiles[0], spec, sigmas, (curve, curves[0]), _Pair(sides[0], side, check)
                    )
                    for profile, curve, side in zip(profiles[1:], curves[1:], sides[1:], strict=True)
                ),
                mask=sides[0].view.mask(sides[0].checks[check].check, spec.name),
            )
        )
    return tuple(found)


def _curve_difference(
    new: Profile | None,
    base: Profile | None,
    spec: CurveSpec,
    sigmas: float,
    curves: tuple[Curve | None, Curve | None],
    pair: _Pair,
) -> CurveDifference:
    if new is None or base is None:
        return CurveDifference(None, None, False, None, None, None, None, "one side has no such curve")
    why = pair.refusal(spec)
    if why:
        return CurveDifference(None, None, False, None, None, None, None, why)
    change = compare_profiles(new, base, spec.better, accuracy(spec), sigmas)
    if change.x is None or change.value is None or change.base_value is None:
        return CurveDifference(
            None, None, False, None, None, None, None, "the curves have no place in common"
        )
    difference = change.value - change.base_value
    signed = _worse_by(difference, spec)
    real = change.answer in (Answer.WORSE, Answer.BETTER)
    value, base_value = change.value, change.base_value
    at = None if curves[0] is None or curves[1] is None else _at_one_place(curves[0], curves[1], change.x)
    if at is not None and (at[0] - at[1]) * difference > 0:
        value, base_value = at
        difference = value - base_value
        signed = _worse_by(difference, spec)
    return CurveDifference(difference, change.uncertainty, real, signed, change.x, value, base_value)


def _at_one_place(new: Curve, base: Curve, x: float) -> tuple[float, float] | None:
    """Return both curves at a place that both have; None where there is none."""
    at, beside = (int(np.argmin(np.abs(curve.x - x))) for curve in (new, base))
    if abs(new.x[at] - base.x[beside]) > 1e-4 * max(abs(x), 1e-3) or abs(new.x[at] - x) > 1e-4 * max(
        abs(x), 1e-3
    ):
        return None
    return float(new.y[at]), float(base.y[beside])


def _worse_by(difference: float, spec: MetricSpec | CurveSpec) -> float | None:
    """Return a difference towards worse; None where neither way is."""
    if spec.difference.worse is not None:
        return difference if spec.difference.worse == "more" else -difference
    return {"less": difference, "more": -difference}.get(spec.better)
