"""What of two sides may be held against each other, only what was measured alike; and what to know before any number.

=======================  ==================================================================
:func:`notes`            what limits a comparison, and what differs besides the unit
:func:`unlike`           why a check of one side is no measure of the same on another
:func:`refusal`          why one of its metrics or curves is not compared
:func:`accuracy`         below which difference a metric says nothing
:func:`known_alike`      how well a reading is known, as far as both sides' differ
:func:`same_volts`       how much of two readings' uncertainty is one error that both share
=======================  ==================================================================

The accuracy is that of the checks, however well a metric repeats. Kinds state it with their metrics
(:class:`~linecheck.checks.base.DifferenceSpec`), as far as it is known: response levels, corners, stop bands and
impulses are held against filters whose response is known (tests of the checks and of resamplers). What they do not
state is taken by its unit: 0.1 dB for levels of noise and distortion (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, Final

from linecheck.checks.base import CurveSpec, MetricSpec, Reading
from linecheck.checks.parts.volts import VOLT_UNITS, is_uncalibrated
from linecheck.errors import listed
from linecheck.history.comparison.sides import LABELS, Picked
from linecheck.limits.verdict import Verdict
from linecheck.run.model import CheckOutcome

_BY_UNIT: Final = {
    "dB": 0.1,
    "dBFS": 0.002,
    "Hz": 1.0,
    "V": 0.001,
    "mV": 0.01,
    "µV": 0.05,
    "ppm": 0.1,
    "ms": 0.004,
    "ps": 0.5,
    "samples": 0.1,
}
_OTHERWISE: Final = 0.001


def accuracy(spec: MetricSpec | CurveSpec) -> float:
    """Return the smallest difference of a metric or curve that means anything, in its unit."""
    stated = spec.difference.accuracy
    return _BY_UNIT.get(spec.unit, _OTHERWISE) if stated is None else stated


#: Parameters of a stimulus that change how well a metric is known, or the unit's mode, but not what it means.
_NO_MATTER: Final = frozenset({"seconds", "bits", "rate_hz"})
_SAME_REACH: Final = 0.03


def unlike(first: Picked, other: Picked, check: str) -> str | None:
    """Return why a check of another side does not measure the same as the first side's; None where it does."""
    one, two = first.checks.get(check), other.checks.get(check)
    if one is None or two is None:
        return None
    if one.kind != two.kind:
        return f"is of another kind ({two.kind}, not {one.kind})"
    ours, theirs = first.view.limits_of(one.check), other.view.limits_of(two.check)
    if ours is None or theirs is None:
        return None
    played = _differing(ours.stimulus_values, theirs.stimulus_values, _NO_MATTER)
    if played:
        return f"was played another stimulus ({played})"
    analysed = _differing(ours.analysis_values, theirs.analysis_values, frozenset({"reference"}))
    return f"was analysed differently ({analysed})" if analysed else None


def _differing(one: Mapping[str, Any], two: Mapping[str, Any], no_matter: frozenset[str]) -> str:
    names = [name for name in {**one, **two} if name not in no_matter and one.get(name) != two.get(name)]
    return ", ".join(f"{name} {two.get(name)}, not {one.get(name)}" for name in names)


def refusal(first: Picked, other: Picked, check: str, spec: MetricSpec | CurveSpec) -> str:
    """Return why a metric or curve of a check is not compared; empty where it is."""
    why = unlike(first, other, check)
    if why is not None:
        return why
    one, two = first.checks.get(check), other.checks.get(check)
    if spec.difference.to_edge and one is not None and two is not None and not _reaches_alike(one, two):
        return "one capture reaches further in frequency"
    return "is where an extreme lies, which noise moves" if spec.difference.is_place else ""


def _reaches_alike(one: CheckOutcome, two: CheckOutcome) -> bool:
    """Return whether all curves that two captures of a check have in common end at the same frequency, nearly."""
    ends = {
        (item.curve.metric, item.curve.channel): float(item.curve.x[-1])
        for item in one.judged.curves
        if len(item.curve.x)
    }
    for item in two.judged.curves:
        end = ends.get((item.curve.metric, item.curve.channel))
        if end is not None and len(item.curve.x):
            own = float(item.curve.x[-1])
            if abs(own - end) > _SAME_REACH * max(abs(own), abs(end)):
                return False
    return True


def known_alike(first: Picked, other: Picked, reading: Reading) -> float | None:
    """Return the standard uncertainty of a reading of either side; None where it is not stated.

    Volts of one station whose calibration nobody states have one and the same error, which is none of their difference:
    they are known as well as they repeat.
    """
    one = (first.view.station, first.view.calibration) == (other.view.station, other.view.calibration)
    return reading.repeatability if one and is_uncalibrated(reading) else reading.uncertainty


def same_volts(first: Picked, other: Picked, base: Reading, new: Reading) -> float:
    """Return the part of both readings' uncertainty that is the same error in both: that of one calibration."""
    calibration = first.view.calibration
    if base.unit not in VOLT_UNITS or not calibration or calibration != other.view.calibration:
        return 0.0
    try:
        share = 0.01 * float(calibration.get("uncertainty_percent", "0"))
    except ValueError:
        return 0.0
    return share * min(abs(base.value or 0.0), abs(new.value or 0.0))


#: So many names are listed, the rest counted.
_MAX_NAMES: Final = 12


def notes(picked: Sequence[Picked]) -> Iterator[str]:
    """Yield what limits a comparison, in sentences."""
    for label, side in zip(LABELS, picked, strict=False):
        if side.view.verdict in (Verdict.INVALID, Verdict.ABORTED):
            yield (
                f"{label} was not judged: its run is {side.view.verdict.value}, and what of it is compared may not be "
                "trusted"
            )
        if side.view.held:
            yield f"{label} is a hold: its run passed, and does not release its unit, which has failed before"
    for label, side in zip(LABELS, picked, strict=False):
        empty = [name for name in side.checks if not _measured(side, name)]
        if empty:
            yield f"{label} has no measured value in {_listed(empty)}, which is not compared there"
    for label, side in zip(LABELS[1:], picked[1:], strict=False):
        yield from _of_side(picked[0], side, label)


def _measured(side: Picked, name: str) -> bool:
    judged = side.checks[name].judged
    return any(item.reading.value is not None for item in judged.readings) or any(
        len(item.curve.x) for item in judged.curves
    )


def _of_side(first: Picked, side: Picked, label: str) -> Iterator[str]:
    missing = [name for name in first.checks if name not in side.checks]
    more = [name for name in side.checks if name not in first.checks]
    if missing:
        yield f"{label} has no {_listed(missing)}"
    if more:
        yield f"only {label} has {_listed(more)}"
    for name in first.checks:
        why = unlike(first, side, name)
        if why is not None:
            yield f"{name} is not compared: {label} {why}"
    for what, differs in _FACTS:
        found = [name for name in first.checks if name in side.checks and differs(first, side, name)]
        if found:
            yield f"{label} {what} in {_listed(found)}"
    yield from _about(first, side, label)


def _about(first: Picked, side: Picked, label: str) -> Iterator[str]:
    one, two = first.view, side.view
    if two.limits.sha256 != one.limits.sha256:
        yield f"{label} was judged by another limit file, or another revision of it, than A"
    if two.station != one.station:
        yield f"{label} was measured on {_or_none(two.station)}, A on {_or_none(one.station)}"
    elif two.calibration != one.calibration:
        yield f"{label} was measured with another calibration than A"
    changed = _settings(first, side)
    if changed:
        yield f"{label} was set differently from A: {changed}"


def _settings(first: Picked, side: Picked) -> str:
    """Return which settings differ in every check that both sides have and that say them."""
    pairs: dict[str, set[tuple[str, str]]] = {}
    for name in first.checks.keys() & side.checks.keys():
        one, two = first.checks[name].setup, side.checks[name].setup
        for key in one.keys() | two.keys():
            pairs.setdefault(key, set()).add((two.get(key, "not said"), one.get(key, "not said")))
    told = []
    for key, found in sorted(pairs.items()):
        differing = sorted((new, old) for new, old in found if new != old)
        told += [f"{key} {new}, not {old}" for new, old in differing]
    return "; ".join(told)


def _other_stimulus(first: Picked, side: Picked, name: str) -> bool:
    digests = {first.checks[name].stimulus_sha256, side.checks[name].stimulus_sha256}
    return unlike(first, side, name) is None and None not in digests and len(digests) > 1


def _same_capture(first: Picked, side: Picked, name: str) -> bool:
    digest = first.checks[name].capture_sha256
    return digest is not None and digest == side.checks[name].capture_sha256


def _other_reach(first: Picked, side: Picked, name: str) -> bool:
    return not _reaches_alike(first.checks[name], side.checks[name])


_Differs = Callable[[Picked, Picked, str], bool]
_FACTS: Final[tuple[tuple[str, _Differs], ...]] = (
    ("was played other samples than A, of the same kind,", _other_stimulus),
    ("is the very capture of A, so that no difference is no proof,", _same_capture),
    ("was captured at another rate, so that what lies at the edge is not compared,", _other_reach),
)


def _or_none(station: str | None) -> str:
    return f"station {station}" if station else "an unnamed station"


def _listed(names: Sequence[str]) -> str:
    return ", ".join(listed(names, _MAX_NAMES))
