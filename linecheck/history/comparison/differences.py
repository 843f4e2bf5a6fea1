"""Two runs or more side by side: every metric and curve, with each difference from the first side's.

Whether a difference means anything is the rule of regression (:mod:`linecheck.limits.regression`) with the accuracy of
the checks for a margin: beyond it, and beyond so many standard uncertainties that in all that is compared one false
difference has a chance of 0.5 %.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np

from linecheck import __version__
from linecheck.checks import kinds
from linecheck.checks.base import Curve, CurveSpec, MetricSpec, Reading
from linecheck.errors import RecordError, UsageError
from linecheck.files.text import visible
from linecheck.files.times import utc_text
from linecheck.history.comparison.alike import accuracy, known_alike, notes, refusal, same_volts
from linecheck.history.comparison.findings import find, without_superseded
from linecheck.history.comparison.model import (
    ComparedCurve,
    ComparedValue,
    Comparison,
    CurveDifference,
    Difference,
    Finding,
    Side,
)
from linecheck.history.comparison.sides import MAX_SIDES, Picked, side_of
from linecheck.history.sounds_like import difference_of
from linecheck.limits.curve_profile import Profile, compare_profiles, lattice_for, profile_of
from linecheck.limits.regression import Answer, Measured, alarm_sigmas, compare_values
from linecheck.limits.verdict import JudgedCurve, JudgedReading
from linecheck.run.causes import Difference as SoundsLike

_BOUND = "one of the values is only a bound"
_REAL = (Answer.WORSE, Answer.BETTER)


def _shared(
    sides: Sequence[Picked],
) -> Iterator[tuple[str, MetricSpec | CurveSpec, str | None, list[JudgedReading | JudgedCurve | None]]]:
    """Yield every metric and curve of the checks that the first side shares with another, with each side's."""
    for check, first in sides[0].checks.items():
        if sum(check in side.checks for side in sides) > 1:
            for spec in kinds()[first.kind].specs:
                for channel in sides[0].view.limits.channels if spec.per_channel else (None,):
                    there = [side.checks.get(check) for side in sides]
                    items = [None if each is None else each.judged.item(spec.name, channel) for each in there]
                    yield check, spec, channel, items


def comparisons_in(sides: Sequence[Picked]) -> int:
    """Return how many differences are looked at: none where a side has no value, or where it may not be compared.

    What stands under a superseded name as well is one difference, not two.
    """
    count = sum(
        difference.difference is not None and difference.why in ("", _BOUND)
        for entry in without_superseded(_compared_values(sides, math.inf))
        for difference in entry.differences
    )
    every = list(_curves(sides))
    there = {(check, spec.name, channel): _given(curves) for check, spec, channel, curves in every}
    for check, spec, channel, curves in every:
        successor = spec.superseded_by
        if successor and _given(curves) == there.get((check, successor.name, channel)):
            continue
        profile, *others = _profiles(curves, spec)
        if profile is not None:
            count += profile.comparisons * sum(
                other is not None and not refusal(sides[0], side, check, spec)
                for other, side in zip(others, sides[1:], strict=True)
            )
    return count


def _given(curves: Sequence[Curve | None]) -> list[bool]:
    return [curve is not None for curve in curves]


def _compared_values(sides: Sequence[Picked], sigmas: float) -> tuple[ComparedValue, ...]:
    """Return every metric that any side has."""
    found = []
    first = sides[0]
    for check, spec, channel, items in _shared(sides):
        judged = [item if isinstance(item, JudgedReading) else None for item in items]
        readings = [None if item is None else item.reading for item in judged]
        if isinstance(spec, CurveSpec) or all(each is None or each.value is None for each in readings):
            continue
        found.append(
            ComparedValue(
                **_of_spec(first, check, spec, channel),
                readings=tuple(readings),
                verdicts=tuple(None if item is None else item.verdict for item in judged),
                differences=tuple(
                    _difference(reading, readings[0], spec, sigmas, (first, side, check))
                    for reading, side in zip(readings[1:], sides[1:], strict=True)
                ),
            )
        )
    return tuple(found)


def _of_spec(first: Picked, check: str, spec: MetricSpec | CurveSpec, channel: str | None) -> dict[str, Any]:
    """Return what a comparison says of a metric or curve as such, and the first side's mask of it."""
    whole = first.checks[check]
    return {
        **{name: getattr(spec, name) for name in ("text", "unit", "better")},
        "check": check,
        "kind": whole.kind,
        "metric": spec.name,
        "channel": channel,
        "mask": first.view.mask(whole.check, spec.name),
    }


def _difference(
    new: Reading | None, base: Reading | None, spec: MetricSpec, sigmas: float, of: tuple[Picked, Picked, str]
) -> Difference:
    """Return the difference of a reading from the first side's; ``of`` are the first side, this one and the check."""
    if new is None or base is None or new.value is None or base.value is None:
        return Difference(None, None, False, None, "one side has no such value")
    first, other, _ = of
    difference = new.value - base.value
    new_spread, base_spread = (known_alike(first, other, each) for each in (new, base))
    if new_spread is None or base_spread is None:
        return Difference(difference, None, False, None, "how well it is known is not stated")
    common = same_volts(first, other, base, new)
    square = new_spread**2 + base_spread**2 - 2.0 * common**2
    uncertainty = math.sqrt(max(square, 0.0))
    signed = _worse_by(new.value, base.value, spec)
    why = refusal(*of, spec)
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
    real = change.answer in _REAL
    why = "" if real or not (new.is_bound or base.is_bound) else _BOUND
    return Difference(difference, uncertainty, real, signed, why)


def _curves(sides: Sequence[Picked]) -> Iterator[tuple[str, CurveSpec, str | None, tuple[Curve | None, ...]]]:
    for check, spec, channel, items in _shared(sides):
        curves = tuple(
            item.curve if isinstance(item, JudgedCurve) and len(item.curve.x) else None for item in items
        )
        if isinstance(spec, CurveSpec) and any(curve is not None for curve in curves):
            yield check, spec, channel, curves


def _profiles(curves: Sequence[Curve | None], spec: CurveSpec) -> list[Profile | None]:
    first = curves[0]
    if first is None:
        return [None] * len(curves)
    lattice = lattice_for(first, log_x=spec.log_x, better=spec.better)
    return [None if curve is None else profile_of(curve, lattice, spec.better) for curve in curves]


def _compared_curves(sides: Sequence[Picked], sigmas: float) -> tuple[ComparedCurve, ...]:
    """Return every curve that any side has."""
    found = []
    first = sides[0]
    for check, spec, channel, curves in _curves(sides):
        profiles = _profiles(curves, spec)
        found.append(
            ComparedCurve(
                **_of_spec(first, check, spec, channel),
                x_unit=next(curve.x_unit for curve in curves if curve is not None),
                log_x=spec.log_x,
                curves=curves,
                differences=tuple(
                    _curve_difference(
                        (profile, profiles[0]), (curve, curves[0]), spec, sigmas, (first, side, check)
                    )
                    for profile, curve, side in zip(profiles[1:], curves[1:], sides[1:], strict=True)
                ),
            )
        )
    return tuple(found)


def _curve_difference(
    profiles: tuple[Profile | None, Profile | None],
    curves: tuple[Curve | None, Curve | None],
    spec: CurveSpec,
    sigmas: float,
    of: tuple[Picked, Picked, str],
) -> CurveDifference:
    """Return the difference of a curve from the first side's; each pair is the new one and that of the first side."""
    (new, base), (new_curve, base_curve) = profiles, curves
    if new is None or base is None or new_curve is None or base_curve is None:
        return _not_compared("one side has no such curve")
    why = refusal(*of, spec)
    if why:
        return _not_compared(why)
    change = compare_profiles(new, base, spec.better, accuracy(spec), sigmas)
    if change.x is None or change.value is None or change.base_value is None:
        return _not_compared("the curves have no place in common")
    value, base_value = change.value, change.base_value
    at = _at_one_place(new_curve, base_curve, change.x)
    if at is not None and (at[0] - at[1]) * (value - base_value) > 0:
        value, base_value = at
    difference = value - base_value
    real, signed = change.answer in _REAL, _worse_by(value, base_value, spec)
    return CurveDifference(
        difference, change.uncertainty, real, signed, x=change.x, value=value, base_value=base_value
    )


def _not_compared(why: str) -> CurveDifference:
    return CurveDifference(None, None, False, None, why)


def _at_one_place(new: Curve, base: Curve, x: float) -> tuple[float, float] | None:
    """Return both curves at a place that both have; None where there is none."""
    at, beside = (int(np.argmin(np.abs(curve.x - x))) for curve in (new, base))
    near = 1e-4 * max(abs(x), 1e-3)
    if abs(new.x[at] - base.x[beside]) > near or abs(new.x[at] - x) > near:
        return None
    return float(new.y[at]), float(base.y[beside])


def _worse_by(value: float, base_value: float, spec: MetricSpec | CurveSpec) -> float | None:
    """Return a difference towards worse; None where neither way is."""
    if spec.difference.worse == "away":
        further = abs(value) - abs(base_value)
        return further if abs(further) > accuracy(spec) else None
    way = {"less": "more"}.get(spec.difference.worse or "", spec.better)
    return {"less": value - base_value, "more": base_value - value}.get(way)


def compare_sides(picked: Sequence[Picked]) -> Comparison:
    """Return the comparison of two sides or more, the first of which the others are held against.

    Raises
    ------
    UsageError
        There are too few or too many sides, or they are of different models or channels.
    RecordError
        They have nothing in common that was measured.
    """
    _require_comparable(picked)
    count = comparisons_in(picked)
    if not count:
        raise RecordError(
            "the sides have no check in common that was measured alike on both: nothing can be compared. "
            + ("; ".join(notes(picked)) or "Their runs may be invalid (linecheck log show)")
        )
    sigmas = alarm_sigmas(count)
    sides = tuple(side_of(number, side, picked) for number, side in enumerate(picked))
    values, curves = _compared_values(picked, sigmas), _compared_curves(picked, sigmas)
    first = picked[0].view.limits
    findings = find(sides, values, curves, _analysis(picked[0]))
    return Comparison(
        created=utc_text(datetime.now(UTC)),
        software=f"linecheck {__version__}",
        limit_path=first.path,
        limit_revision=first.revision,
        limit_sha256=first.sha256,
        channels=first.channels,
        sides=sides,
        sigmas=sigmas,
        comparisons=count,
        values=values,
        curves=curves,
        findings=findings,
        notes=tuple(notes(picked)),
        causes=_causes(sides, picked, findings),
    )


def _causes(
    sides: Sequence[Side], picked: Sequence[Picked], findings: Sequence[Finding]
) -> dict[str, SoundsLike]:
    """Return what the differences of each side from the first sound like, where it differs and that is known."""
    differing = {finding.side for finding in findings}
    said = {
        side.label: _sounds_like(picked[0], own)
        for side, own in zip(sides, picked, strict=True)
        if side.label in differing
    }
    return {label: causes for label, causes in said.items() if causes is not None}


def _sounds_like(first: Picked, other: Picked) -> SoundsLike | None:
    earlier = {
        (own.check, item.reading.metric, item.reading.channel): item.reading.value
        for shared, own in other.checks.items()
        if shared in first.checks
        for item in first.checks[shared].judged.readings
        if item.reading.value is not None
    }
    return difference_of(replace(other.view, checks=tuple(other.checks.values())), earlier)


def _analysis(side: Picked) -> dict[str, Mapping[str, Any]]:
    known = {name: side.view.limits_of(check.check) for name, check in side.checks.items()}
    return {name: limits.analysis_values for name, limits in known.items() if limits is not None}


def _require_comparable(picked: Sequence[Picked]) -> None:
    if not 2 <= len(picked) <= MAX_SIDES:
        raise UsageError(f"name two runs or capture sets to compare, {MAX_SIDES} at most")
    models = dict.fromkeys(visible(side.view.model) for side in picked)
    if len(models) > 1:
        raise UsageError(f"are of different models, which cannot be compared: {', '.join(models)}")
    if len({side.view.limits.channels for side in picked}) > 1:
        raise UsageError("were measured in different channels, which cannot be compared")
