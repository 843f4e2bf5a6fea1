"""Real differences in plain words, each with its number, worst first.

What several metrics say of one thing is said once: a noise that has risen is no rise of THD+N as well.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from typing import Final

from linecheck.records.comparison.accuracy import accuracy
from linecheck.records.comparison.model import (
    ComparedCurve,
    ComparedValue,
    Difference,
    Finding,
    Side,
)

__all__ = ["find"]

#: What says nothing where a finding of another metric of the same check (or ``check kind.metric``) already says it.
_SAID_BY: Final = {
    "level_dbfs": ("level",),
    "thd_n": ("sinad", "worst"),
    "thd_n_wide": ("worst_wide",),
    "noise": ("sinad",),
    "corner_high": ("reconstruction.corner_3db",),
    "ripple": ("reconstruction.droop_20k",),
    "spectrum": ("harmonic_2", "harmonic_3", "largest_spur"),
    "response": ("droop_20k", "corner_3db", "reconstruction.corner_3db"),
    "impulse": ("pre_ringing", "latency"),
    "band_levels": ("image_level", "noise_20k_100k"),
    "imd_over_level": ("imd",),
}
#: Of how many units of severity a difference is one: by what people hear or notice, roughly.
_SEVERE_DB: Final = 1.0


def find(
    sides: Sequence[Side], values: Sequence[ComparedValue], curves: Sequence[ComparedCurve]
) -> tuple[Finding, ...]:
    """Return what truly differs between the first side and each of the others, worst first."""
    found = [finding for at in range(1, len(sides)) for finding in _of_side(sides, at, values, curves)]
    found.sort(key=lambda finding: (finding.worse is False, -finding.severity))
    return tuple(found)


def _of_side(
    sides: Sequence[Side], at: int, values: Sequence[ComparedValue], curves: Sequence[ComparedCurve]
) -> Iterator[Finding]:
    real_values = [value for value in values if value.differences[at - 1].significant]
    real_curves = [curve for curve in curves if curve.differences[at - 1].significant]
    said = {(value.check, value.metric) for value in real_values}
    kinds = {f"{value.kind}.{value.metric}" for value in real_values}

    def is_said(check: str, metric: str) -> bool:
        return any((check, by) in said or by in kinds for by in _SAID_BY.get(metric, ()))

    groups: dict[tuple[str, str], list[ComparedValue]] = {}
    for value in real_values:
        if not is_said(value.check, value.metric):
            groups.setdefault((value.check, value.metric), []).append(value)
    for group in groups.values():
        yield _value_finding(sides, at, group)
    lines: dict[tuple[str, str], list[ComparedCurve]] = {}
    for curve in real_curves:
        if not is_said(curve.check, curve.metric):
            lines.setdefault((curve.check, curve.metric), []).append(curve)
    for several in lines.values():
        yield _curve_finding(sides, at, several)


def _value_finding(sides: Sequence[Side], at: int, group: Sequence[ComparedValue]) -> Finding:
    value = max(group, key=lambda entry: abs(entry.differences[at - 1].difference or 0.0))
    difference = value.differences[at - 1]
    assert difference.difference is not None
    worse = _is_worse(value.metric, difference)
    new, base = value.readings[at], value.readings[0]
    assert new is not None
    assert base is not None
    assert new.value is not None
    assert base.value is not None
    bound = "at least " if new.is_bound != base.is_bound else ""
    words = _words(value, new.value, base.value, bound)
    channels = tuple(entry.channel for entry in group if entry.channel is not None)
    where = (
        f" ({channels[0]} only)"
        if len(channels) == 1 and value.channel is not None and len(group) == 1
        else ""
    )
    text = f"{sides[at].name}: {words} against {sides[0].name}{where}"
    return Finding(
        side=sides[at].label,
        text=text,
        check=value.check,
        metric=value.metric,
        channels=channels,
        difference=difference.difference,
        uncertainty=difference.uncertainty,
        unit=value.unit,
        worse=worse,
        severity=_severity(value, difference),
        x=_droop_hz(value.metric),
    )


def _is_worse(metric: str, difference: Difference) -> bool | None:
    if metric.startswith("droop_") and difference.difference is not None:
        return difference.difference < 0.0
    return None if difference.worse_by is None else difference.worse_by > 0.0


def _droop_hz(metric: str) -> float | None:
    return 1e3 * float(metric[6:-1]) if metric.startswith("droop_") else None


def _severity(value: ComparedValue, difference: Difference) -> float:
    """Return how grave a difference is: decibels as they are, all else by its part of the value."""
    size = abs(difference.difference or 0.0)
    if value.unit in ("dB", "dBFS"):
        return size / _SEVERE_DB
    base = value.readings[0]
    scale = abs(base.value) if base is not None and base.value else 0.0
    parts = size / scale if scale > 0.0 else size / accuracy(value.metric, value.unit)
    return 20.0 * abs(math.log10(1.0 + min(parts, 1e6)))


def _number(value: float, unit: str) -> str:
    size = abs(value)
    digits = 3 if size < 0.1 else 2 if size < 3.0 else 1 if size < 100.0 else 0
    return f"{value:.{digits}f} {unit}".rstrip().replace("-", "−")


def _words(value: ComparedValue, new: float, base: float, bound: str) -> str:
    """Return what a value's difference says, its number in it."""
    metric, size, unit = value.metric, new - base, value.unit
    told = _WORDS.get(metric)
    if metric.startswith("droop_"):
        verb = "loses" if size < 0 else "gains"
        return f"{verb} {_number(abs(size), unit)} at {metric[6:-1]} kHz"
    if told is not None:
        return told(new, base, bound)
    way = "higher" if size > 0 else "lower"
    return (
        f"{value.check}: {value.text} is {bound}{_number(abs(size), unit)} {way} "
        f"({_number(new, unit)}, was {_number(base, unit)})"
    )


def _moved(what: str) -> Callable[[float, float, str], str]:
    def told(new: float, base: float, bound: str) -> str:
        way = "higher" if new > base else "lower"
        return f"{what} {bound}{abs(new - base):.0f} Hz {way} (at {new:.0f} Hz)"

    return told


def _stop_band(new: float, base: float, bound: str) -> str:
    way = "shallower" if new < base else "deeper"
    return f"stop band {bound}{_number(abs(new - base), 'dB')} {way} ({_number(new, 'dB')})"


def _images(new: float, base: float, bound: str) -> str:
    way = "stronger" if new < base else "weaker"
    at = f"images of tones at 19 to 20 kHz at {_number(-new, 'dB')}"
    return f"{at}, {bound}{_number(abs(new - base), 'dB')} {way}"


def _ringing(new: float, base: float, bound: str) -> str:
    way = "more" if new > base else "less"
    return (
        f"{bound}{_number(abs(new - base), 'dB')} {way} energy ahead of the main lobe ({_number(new, 'dB')})"
    )


def _latency(new: float, base: float, bound: str) -> str:
    way = "longer" if new > base else "shorter"
    return f"latency {bound}{abs(new - base):.3f} ms {way} ({new:.3f} ms)"


_WORDS: Final[dict[str, Callable[[float, float, str], str]]] = {
    "corner_3db": _moved("−3 dB corner"),
    "corner_6db": _moved("−6 dB corner"),
    "stopband_from": _moved("stop band begins"),
    "stopband_attenuation": _stop_band,
    "image_rejection": _images,
    "pre_ringing": _ringing,
    "latency": _latency,
}


def _curve_finding(sides: Sequence[Side], at: int, several: Sequence[ComparedCurve]) -> Finding:
    curve = max(several, key=lambda entry: abs(entry.differences[at - 1].difference or 0.0))
    difference = curve.differences[at - 1]
    assert difference.difference is not None
    assert difference.x is not None
    way = "higher" if difference.difference > 0 else "lower"
    place = f"{difference.x:.4g} {curve.x_unit}"
    text = (
        f"{sides[at].name}: {curve.check}: {curve.text} is {_number(abs(difference.difference), curve.unit)} {way} at "
        f"{place} against {sides[0].name}"
    )
    worse = None if difference.worse_by is None else difference.worse_by > 0.0
    return Finding(
        side=sides[at].label,
        text=text,
        check=curve.check,
        metric=curve.metric,
        channels=tuple(entry.channel for entry in several if entry.channel is not None),
        difference=difference.difference,
        uncertainty=difference.uncertainty,
        unit=curve.unit,
        worse=worse,
        severity=abs(difference.difference) if curve.unit == "dB" else 0.0,
        x=difference.x,
    )
