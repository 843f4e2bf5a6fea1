"""Real differences in plain words, each with its number, worst first.

What a difference of a metric is called stands with the metric in its kind
(:class:`~linecheck.checks.base.DifferenceSpec`), and so does which metrics say the same thing: where noise has risen,
THD+N is not reported as well. Numbers have as many digits as are known, and no more.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Final, TypeVar

import numpy as np

from linecheck.checks import kinds
from linecheck.checks.base import CurveSpec, MetricSpec
from linecheck.checks.parts.declared import difference_unit
from linecheck.checks.parts.volts import VOLT_UNITS
from linecheck.dsp.arrays import FloatArray
from linecheck.dsp.responses.lobes import beside_main_lobe_db
from linecheck.history.comparison.alike import accuracy
from linecheck.history.comparison.model import (
    Compared,
    ComparedCurve,
    ComparedValue,
    CurveDifference,
    Difference,
    Finding,
    Side,
)
from linecheck.limits.verdict import Verdict

_Item = TypeVar("_Item", bound=Compared)

#: A number is told with so many significant digits at most, and so many decimals.
_DIGITS, _DECIMALS = 3, 4
_KILO: Final = 1000.0


def decimals_for(value: float, uncertainty: float | None, accurate_to: float, digits: int = _DIGITS) -> int:
    """Return how many decimals a number is told with: no more than are known, and of so many digits at most.

    A number that is not nothing is never told as nothing.
    """
    known = max(2.0 * (uncertainty or 0.0), accurate_to)
    first = math.floor(math.log10(abs(value) or known))
    by_knowledge = math.ceil(-math.log10(known) - 1e-9)
    if digits == _DIGITS:
        by_knowledge = max(by_knowledge, -first)
    by_digits = digits - 1 - first
    return max(0, min(by_knowledge, by_digits, _DECIMALS))


def amount(value: float, unit: str, decimals: int) -> str:
    """Return a number with its unit and a true minus sign; hertz from a thousand on in kilohertz."""
    if unit == "Hz" and abs(value) >= _KILO:
        value, unit, decimals = value / _KILO, "kHz", 2
    text = f"{value:.{decimals}f}".replace("-", "−")
    text = text.rstrip("0").rstrip(".") if unit == "kHz" else text
    text = text.removeprefix("−") if not text.strip("−0.") else text
    return f"{text} {unit}".rstrip()


#: Ringing that differs by less is told as none, dB.
_RINGING_DB: Final = 0.5
#: Channels whose differences are alike to this part, or to their uncertainty, are reported as one.
_ALIKE: Final = 0.05


def spec_of(item: Compared) -> MetricSpec | CurveSpec:
    """Return what the kind of a check says of a metric or curve of it."""
    return next(spec for spec in kinds()[item.kind].specs if spec.name == item.metric)


def accuracy_of(item: Compared) -> float:
    """Return the smallest difference that means anything; nothing where a kind or metric is no more."""
    try:
        return accuracy(spec_of(item))
    except (KeyError, StopIteration):
        return 0.0


def find(
    sides: Sequence[Side],
    values: Sequence[ComparedValue],
    curves: Sequence[ComparedCurve],
    analysis: Mapping[str, Mapping[str, Any]],
) -> tuple[Finding, ...]:
    """Return what truly differs between the first side and each of the others, worst first.

    Parameters
    ----------
    sides, values, curves
        As in a :class:`~linecheck.history.comparison.model.Comparison`.
    analysis : mapping of str to mapping
        How each check was analysed: words may name a frequency from there.
    """
    items: list[Compared] = [*values, *curves]
    checks_of_kind = Counter({value.check: value.kind for value in values}.values())
    found = []
    for at in range(1, len(sides)):
        for group, channels in _groups(items, at):
            item = max(group, key=lambda entry: abs(entry.differences[at - 1].difference or 0.0))
            difference = item.differences[at - 1]
            words = (
                _value_words(item, at, analysis.get(item.check, {}))
                if isinstance(item, ComparedValue)
                else _curve_words(item, at)
            )
            spec = spec_of(item).difference
            named = tuple(entry.channel for entry in group if entry.channel is not None)
            where = f", {' and '.join(named)}" if 0 < len(named) < channels else ""
            # Words that name the metric alone do not say which of several checks is meant.
            which = f" in {item.check}" if (spec.what or spec.more) and checks_of_kind[item.kind] > 1 else ""
            found.append(
                Finding(
                    side=sides[at].label,
                    text=f"{sides[at].name}{where}: {words}{which} against {sides[0].name}",
                    check=item.check,
                    metric=item.metric,
                    channels=named,
                    difference=difference.difference,
                    uncertainty=difference.uncertainty,
                    unit=difference_unit(item.unit),
                    worse=is_worse(item, at),
                    severity=severity(item, difference),
                    x=difference.x if isinstance(difference, CurveDifference) else None,
                )
            )
    found.sort(key=lambda finding: (finding.worse is False, -finding.severity))
    return tuple(found)


def _groups(items: Sequence[Compared], at: int) -> Iterator[tuple[Sequence[Compared], int]]:
    """Yield what differs on a side: the channels of a metric that have changed alike, of how many it has."""
    channels = Counter((item.check, item.metric) for item in items)
    real = without_superseded([item for item in items if item.differences[at - 1].significant])
    said = {(item.check, name) for item in real for name in _known_as(item)}
    said_of_kinds = {f"{item.kind}.{name}" for item in real for name in _known_as(item)}
    groups: dict[tuple[str, str], list[Compared]] = {}
    for item in real:
        by = spec_of(item).difference.said_by
        if not any((item.check, name) in said or name in said_of_kinds for name in by):
            groups.setdefault((item.check, item.metric), []).append(item)
    for key, group in groups.items():
        for alike in _alike(group, at):
            yield alike, channels[key]


def without_superseded(items: Iterable[_Item]) -> list[_Item]:
    """Return all but what its successor says too, of each side: runs from before know the former name alone."""
    every = list(items)
    there = {(item.check, item.metric, item.channel): _sides_of(item) for item in every}
    return [
        item
        for item in every
        if not any(
            _sides_of(item) <= there.get((item.check, name, item.channel), set())
            for name in _known_as(item)[1:]
        )
    ]


def _sides_of(item: Compared) -> set[int]:
    """Return which sides have a value or a curve."""
    taken = item.readings if isinstance(item, ComparedValue) else item.curves
    return {side for side, each in enumerate(taken) if each is not None}


def _known_as(item: Compared) -> tuple[str, ...]:
    """Return a metric's or curve's name, and after it that of what superseded it, where the kind still has it."""
    kind = kinds().get(item.kind)
    specs = () if kind is None else kind.specs
    successors = [
        spec.superseded_by.name for spec in specs if spec.name == item.metric and spec.superseded_by
    ]
    return (item.metric, *successors)


def _alike(group: Sequence[Compared], at: int) -> list[list[Compared]]:
    """Return the channels of a metric, those together in which it has changed alike."""
    together: list[list[Compared]] = []
    for item in group:
        own = item.differences[at - 1]
        for others in together:
            other = others[0].differences[at - 1]
            apart = abs((own.difference or 0.0) - (other.difference or 0.0))
            noise = 2.0 * math.hypot(own.uncertainty or 0.0, other.uncertainty or 0.0)
            enough = max(noise, _ALIKE * abs(other.difference or 0.0), accuracy(spec_of(item)))
            if apart <= enough and _side_of_bounds(item, at) == _side_of_bounds(others[0], at):
                others.append(item)
                break
        else:
            together.append([item])
    return together


def _side_of_bounds(item: Compared, at: int) -> tuple[bool, bool]:
    if isinstance(item, ComparedCurve):
        return (False, False)
    new, base = item.readings[at], item.readings[0]
    return (new is not None and new.is_bound, base is not None and base.is_bound)


def is_worse(item: Compared, at: int) -> bool | None:
    """Return whether a difference is for the worse; None where neither way is.

    Where the nominal value is best, leaving its pass mask is for the worse and coming back into it for the better. A
    side that a mask of its own judges (another filter's) is held against that, any other against the first side's.
    """
    difference = item.differences[at - 1]
    if difference.worse_by is not None:
        return difference.worse_by > 0.0
    if not isinstance(item, ComparedValue) or item.mask is None:
        return None
    inside = [_inside(item, side) for side in (0, at)]
    return None if None in inside or inside[0] == inside[1] else bool(inside[0])


def _inside(item: ComparedValue, side: int) -> bool | None:
    reading, mask, verdict = item.readings[side], item.mask, item.verdicts[side]
    if reading is None or reading.value is None or mask is None or verdict is Verdict.INVALID:
        return None
    if verdict is not None:
        return verdict is Verdict.PASS
    low, high = mask.pass_.min, mask.pass_.max
    above = not isinstance(low, int | float) or reading.value >= low
    return above and (not isinstance(high, int | float) or reading.value <= high)


def severity(item: Compared, difference: Difference) -> float:
    """Return how grave a difference is: decibels as they are, all else by its part of the value in decibels."""
    size = abs(difference.difference or 0.0)
    if item.unit in ("dB", "dBFS"):
        return size
    if isinstance(item, ComparedCurve):
        return 0.0
    base = item.readings[0]
    ratio = _decibels(item, difference)
    if ratio is not None:
        return ratio
    scale = abs(base.value) if base is not None and base.value else accuracy_of(item) or 1.0
    return 20.0 * math.log10(1.0 + min(size / scale, 1e6))


def _decibels(item: ComparedValue, difference: Difference) -> float | None:
    """Return how much a voltage has changed in decibels: a lost signal comes before all that follows from it."""
    base = item.readings[0]
    if item.unit not in VOLT_UNITS or base is None or base.value is None or difference.difference is None:
        return None
    new = base.value + difference.difference
    return abs(20.0 * math.log10(new / base.value)) if new > 0.0 and base.value > 0.0 else None


def _value_words(item: ComparedValue, at: int, analysis: Mapping[str, Any]) -> str:
    """Return what a value's difference says, its number in it."""
    new, base = item.readings[at], item.readings[0]
    assert new is not None
    assert base is not None
    assert new.value is not None
    assert base.value is not None
    spec, change = spec_of(item), new.value - base.value
    finest = accuracy(spec)
    known = item.differences[at - 1].uncertainty
    unit = difference_unit(item.unit)
    size = amount(abs(change), unit, decimals_for(change, known, finest))
    if new.is_bound != base.is_bound:  # the bound is itself known only so well
        least = max(abs(change) - 2.0 * (known or 0.0), 0.0)
        size = f"at least {amount(least, unit, decimals_for(least, known, finest))}"
    decimals = decimals_for(new.value, new.uncertainty, finest, digits=9)
    value, opposite = amount(new.value, item.unit, decimals), amount(-new.value, item.unit, decimals)
    words = spec.difference.more if change > 0.0 else spec.difference.less
    if words:
        spans = {name: _span(entry) for name, entry in analysis.items() if name.endswith("_hz")}
        return words.format(size=size, value=value, opposite=opposite, **spans)
    what = spec.difference.what or f"{item.check}: {item.text}"
    return f"{what} {size} {'higher' if change > 0.0 else 'lower'}, {value}"


def _curve_words(item: ComparedCurve, at: int) -> str:
    """Return where curves differ most and by how much; an impulse response's difference in what it means."""
    difference, new, base = item.differences[at - 1], item.curves[at], item.curves[0]
    assert difference.difference is not None
    assert difference.x is not None
    if not item.unit and new is not None and base is not None:
        return f"{spec_of(item).difference.what or item.text}: {_pulse_words(new.y, base.y)}"
    spec, change = spec_of(item), difference.difference
    way = "higher" if change > 0.0 else "lower"
    decimals = decimals_for(change, difference.uncertainty, accuracy(spec))
    size = amount(abs(change), item.unit, decimals)
    place = amount(difference.x, item.x_unit, 3 if item.x_unit == "ms" else 0)
    what = spec.difference.what or f"{item.check}: {item.text}"
    return f"{what} {size} {way} at {place}"


def _pulse_words(new: FloatArray, base: FloatArray) -> str:
    """Return what tells two impulse responses apart: polarity, else the ringing on either side of the main lobe."""
    peaks = [float(pulse[np.argmax(np.abs(pulse))]) for pulse in (new, base)]
    if peaks[0] * peaks[1] < 0.0:
        return "inverted"
    told = []
    for where, now, before in zip(
        ("before", "after"), beside_main_lobe_db(new), beside_main_lobe_db(base), strict=True
    ):
        change = None if now is None or before is None else now - before
        if now is not None and change is not None and abs(change) >= _RINGING_DB:
            way = "more" if change > 0.0 else "less"
            told.append(f"{amount(abs(change), 'dB', 1)} {way} ringing {where} the main lobe")
    return " and ".join(told) or "its main lobe has another shape"


def _span(frequency: Any) -> str:  # noqa: ANN401 - a parameter of an analysis
    """Return a frequency, or from where to where a band goes."""
    if isinstance(frequency, list | tuple) and len(frequency) == 2:
        low, high = (amount(float(end), "Hz", 0) for end in frequency)
        return f"{low.removesuffix(' kHz') if high.endswith(' kHz') else low} to {high}"
    return amount(float(frequency), "Hz", 0) if isinstance(frequency, int | float) else str(frequency)
