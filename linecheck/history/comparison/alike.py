"""What of two sides may be held against each other: only what was measured alike.

=======================  ==================================================================
:func:`unlike`           why a check of one side is no measure of the same on another
:func:`refusal`          why one of its metrics or curves is not compared
:func:`reaches_alike`    whether two captures of a check reach equally far in frequency
:func:`known_alike`      how well a reading is known, as far as both sides' differ
:func:`same_volts`       how much of two readings' uncertainty is one error that both share
=======================  ==================================================================
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from linecheck.checks.base import CurveSpec, MetricSpec, Reading
from linecheck.checks.parts.volts import VOLT_UNITS, is_uncalibrated
from linecheck.history.comparison.sides import Picked
from linecheck.run.model import CheckOutcome

__all__ = ["known_alike", "reaches_alike", "refusal", "same_volts", "unlike"]

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
    if spec.difference.to_edge and one is not None and two is not None and not reaches_alike(one, two):
        return "one capture reaches further in frequency"
    return "is where an extreme lies, which noise moves" if spec.difference.is_place else ""


def reaches_alike(one: CheckOutcome, two: CheckOutcome) -> bool:
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
