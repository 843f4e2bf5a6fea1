"""What every check kind keeps to; a breach is an error that names the kind, and never a verdict on a unit.

==========================  ===============================================================
:func:`refuse_kinds`        what kinds say of themselves, when they are loaded
:func:`made_stimulus`       what a kind plays
:func:`kept_measurement`    what a kind measures
==========================  ===============================================================
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence

import numpy as np

from linecheck.checks.base import CheckKind, Curve, Measurement, Parameters, Reading, Stimulus
from linecheck.checks.parts.declared import CurveSpec, MetricSpec
from linecheck.checks.parts.superseded import with_former
from linecheck.dsp.arrays import FloatArray
from linecheck.errors import ContractError
from linecheck.registry import NAME

NOUN = "check kind"
#: A unit stands behind a number in a table.
MAX_UNIT_LENGTH = 16


def refuse_kinds(kinds: Mapping[str, CheckKind]) -> None:
    """See that kinds say of themselves what can be.

    Raises
    ------
    ContractError
        One does not.
    """
    for kind in kinds.values():
        for fault in _faults(kind, kinds):
            raise ContractError.of(NOUN, kind.name, fault)


def made_stimulus(kind: CheckKind, parameters: Parameters, channels: int, ramp_seconds: float) -> Stimulus:
    """Return what a kind plays.

    Raises
    ------
    ContractError
        It is not of 32-bit integers, or has another number of channels.
    ValueError
        It cannot be made with these parameters.
    """
    made = kind.stimulus(parameters, channels, ramp_seconds)
    samples = made.samples
    if samples.dtype != np.int32:
        raise ContractError.of(NOUN, kind.name, f"its stimulus is of {samples.dtype}; expected int32")
    if samples.ndim != 2 or samples.shape[1] != channels or not len(samples):
        raise ContractError.of(
            NOUN, kind.name, f"its stimulus has the shape {samples.shape}; expected (frames, {channels})"
        )
    return made


def kept_measurement(kind: CheckKind, measured: Measurement, channels: tuple[str, ...]) -> Measurement:
    """Return what a kind measured, as it is, and under the names that it had before.

    A value may be None; one that no problem explains gets one when the run is recorded.

    Raises
    ------
    ContractError
        A reading or curve is not declared, is in another unit or of a channel that it cannot be of, is there twice, or
        has a number that is not finite.
    """
    measured = with_former(kind, measured)
    for reading in measured.readings:
        _refuse(kind, "metric", reading, _wrong_reading(kind, reading), channels)
    for curve in measured.curves:
        _refuse(kind, "curve", curve, _wrong_curve(kind, curve), channels)
    for what, items in (("metric", measured.readings), ("curve", measured.curves)):
        for (name, channel), count in Counter((item.metric, item.channel) for item in items).items():
            if count > 1:
                raise ContractError.of(
                    NOUN, kind.name, f"the {what} {_of(name, channel)} was returned {count} times"
                )
    return measured


def _faults(kind: CheckKind, kinds: Mapping[str, CheckKind]) -> Iterator[str]:
    for attribute in ("stimulus_parameters", "analysis_parameters"):
        model = getattr(kind, attribute, None)
        if not (isinstance(model, type) and issubclass(model, Parameters)):
            yield f"its {attribute} are no class of Parameters"
    if not kind.metrics and not kind.curves:
        yield "it has no metric and no curve"
    yield from _wrong_names([spec.name for spec in kind.specs])
    yield from _wrong_successors(kind.metrics)
    yield from _wrong_successors(kind.curves)
    units = [(spec.name, spec.unit, True) for spec in kind.specs]
    units += [(spec.name, spec.x_unit, False) for spec in kind.curves]
    for name, unit, may_be_empty in units:
        plain = isinstance(unit, str) and unit.isprintable() and unit == unit.strip()
        if not plain or len(unit) > MAX_UNIT_LENGTH or not (unit or may_be_empty):
            yield f"{unit!r} is no unit (of {name}): one word or two, as in dB"
    if kind.reference_kind is not None:
        if kind.reference_kind not in kinds:
            yield f"it refers to the check kind {kind.reference_kind!r}, which there is not"
        if "reference" not in kind.analysis_parameters.model_fields:
            yield "it refers to another kind, and its analysis has no parameter 'reference'"


def _wrong_names(names: Iterable[str]) -> Iterator[str]:
    """Yield what is wrong with the names of metrics and curves, which masks name alike."""
    for name, count in Counter(names).items():
        if count > 1:
            yield f"{name!r} is the name of {count} of its metrics and curves"
        if not isinstance(name, str) or NAME.fullmatch(name) is None:
            yield f"{name!r} is no name of a metric or curve: lower-case letters, digits and '_'"


def _wrong_successors(specs: Sequence[MetricSpec | CurveSpec]) -> Iterator[str]:
    """Yield what is wrong with successors of metrics, or of curves: each is one that nothing supersedes."""
    standing = {spec.name for spec in specs if spec.superseded_by is None}
    for spec in specs:
        if spec.superseded_by is not None and spec.superseded_by.name not in standing:
            yield f"{spec.name!r} is superseded by {spec.superseded_by.name!r}, which is none of its own that stand"


def _refuse(
    kind: CheckKind, what: str, item: Reading | Curve, wrong: str | None, channels: tuple[str, ...]
) -> None:
    """Refuse a reading or curve that is wrong in itself, or of a channel that it cannot be of."""
    wrong = wrong or _wrong_channel(_declared(kind, item), item.channel, channels)
    if wrong is not None:
        raise ContractError.of(NOUN, kind.name, f"the {what} {_of(item.metric, item.channel)} {wrong}")


def _declared(kind: CheckKind, item: Reading | Curve) -> MetricSpec | CurveSpec | None:
    """Return what the kind declares of a reading or curve."""
    specs: tuple[MetricSpec | CurveSpec, ...] = kind.metrics if isinstance(item, Reading) else kind.curves
    return next((spec for spec in specs if spec.name == item.metric), None)


def _wrong_channel(
    spec: MetricSpec | CurveSpec | None, channel: str | None, channels: tuple[str, ...]
) -> str | None:
    if spec is None:
        return "is not declared"
    if spec.per_channel and channel not in channels:
        return f"is declared for each channel; expected one of {', '.join(channels)}"
    if not spec.per_channel and channel is not None:
        return "is declared for the pair; expected channel None"
    return None


def _wrong_reading(kind: CheckKind, reading: Reading) -> str | None:
    spec = _declared(kind, reading)
    if spec is not None and reading.unit != spec.unit:
        return f"is in {reading.unit!r}, and declared in {spec.unit!r}"
    for what, number in (("value", reading.value), ("uncertainty", reading.uncertainty)):
        if number is not None and not math.isfinite(number):
            return f"has the {what} {number}; expected a finite number, or None and a problem"
    return None


def _wrong_curve(kind: CheckKind, curve: Curve) -> str | None:
    spec = _declared(kind, curve)
    if isinstance(spec, CurveSpec) and (curve.x_unit, curve.unit) != (spec.x_unit, spec.unit):
        return (
            f"is in {curve.unit!r} over {curve.x_unit!r}, and declared in {spec.unit!r} over {spec.x_unit!r}"
        )
    parts: list[FloatArray] = [curve.x, curve.y]
    parts += [] if curve.uncertainty is None else [curve.uncertainty]
    if any(np.shape(part) != (len(curve.x),) for part in parts):
        return (
            f"has parts of the shapes {', '.join(str(np.shape(part)) for part in parts)}; expected one length"
        )
    if not all(np.isfinite(part).all() for part in parts):
        return "has a number that is not finite"
    if not (np.diff(curve.x) > 0.0).all():
        return "has an axis that does not ascend"
    return None


def _of(name: str, channel: str | None) -> str:
    return f"{name!r} of {'the pair' if channel is None else channel}"
