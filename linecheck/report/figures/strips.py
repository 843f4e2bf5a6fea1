"""Every judged value of a check between its limits, with the values of other units.

=========================  ==================================================================
:func:`strips_of_check`    a strip for every judged value of a check
:func:`limits_text`        its limits in words
:func:`binned`             many values along a line, counted piece by piece
=========================  ==================================================================
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from linecheck.checks.parts.volts import rests_on_volts
from linecheck.history.population import Population
from linecheck.limits.model import Bounds, Limit, Mask
from linecheck.limits.verdict import JudgedReading
from linecheck.report.figures.data import Strip
from linecheck.report.figures.words import limit_text, measured_texts, plain_number
from linecheck.run.model import CheckOutcome, Run

__all__ = [
    "COVERAGE",
    "MAX_DOTS",
    "UNCALIBRATED",
    "binned",
    "limits_text",
    "strips_of_check",
    "usual_range",
    "value_texts",
]

#: Expanded uncertainties cover about 95 %, as the Guide to the Expression of Uncertainty in Measurement has it.
COVERAGE = 2.0
#: Stands in place of an uncertainty of volts that nobody claims.
UNCALIBRATED = "uncalibrated"
#: More values than this are drawn as a density, in so many pieces.
MAX_DOTS, BINS = 200, 60
#: A line reaches to where these shares of the values lie; the few beyond are drawn at its ends.
_USUAL = (0.005, 0.995)


def strips_of_check(
    view: Run,
    check: CheckOutcome,
    *,
    population: Mapping[tuple[str, str, str | None], Population] | None = None,
) -> tuple[Strip, ...]:
    """Return a strip for every judged value of a check; values that could not be measured are there without one.

    Parameters
    ----------
    view : Run
    check : CheckOutcome
    population : mapping of Population, optional
        Where each reading (check, metric, channel) lies among earlier units of the model. A value that no mask judges
        has a strip too where it can be shown among theirs.
    """
    strips = []
    for item in check.judged.readings:
        mask = view.mask(check.check, item.reading.metric)
        others = (population or {}).get((check.check, item.reading.metric, item.reading.channel))
        judged = item.verdict is not None and mask is not None
        if judged or (others is not None and others.values and item.reading.value is not None):
            strips.append(_strip(check.check, item, mask or Mask(Bounds()), others))
    return tuple(strips)


def _strip(check: str, item: JudgedReading, mask: Mask, others: Population | None) -> Strip:
    reading = item.reading
    values = () if others is None else others.values
    outer = mask.fail if mask.fail is not None else mask.pass_
    below, above, fails_below, fails_above = edges = [
        _flat(limit) for limit in (mask.pass_.min, mask.pass_.max, outer.min, outer.max)
    ]
    low, high = _ends(reading.value, reading.uncertainty, (*edges, *usual_range(values)))
    return Strip(
        check,
        reading.metric,
        reading.channel,
        reading.unit,
        reading.value,
        reading.uncertainty,
        reading.is_bound,
        item.verdict,
        item.margin,
        low,
        high,
        below,
        above,
        fails_below,
        fails_above,
        others=values,
        standing="" if others is None else others.standing,
    )


def _flat(limit: Limit | None) -> float | None:
    return None if limit is None or isinstance(limit, tuple) else float(limit)


def _ends(
    value: float | None, uncertainty: float | None, seen: Sequence[float | None]
) -> tuple[float, float]:
    """Return from where to where a strip goes: all that is to be seen, the value with its uncertainty, and room."""
    spread = 2.0 * (uncertainty or 0.0)
    shown = [*seen, *(() if value is None else (value - spread, value + spread))]
    finite = [entry for entry in shown if entry is not None and np.isfinite(entry)]
    if not finite:
        return -1.0, 1.0
    low, high = min(finite), max(finite)
    room = 0.2 * (high - low or 0.2 * abs(low) or 1.0)
    return low - room, high + room


def usual_range(values: Sequence[float]) -> tuple[float, ...]:
    """Return from where to where nearly all of ascending values lie; nothing where there are none."""
    last = len(values) - 1
    return tuple(values[round(share * last)] for share in _USUAL) if values else ()


def binned(values: Sequence[float], low: float, high: float, bins: int = BINS) -> tuple[int, ...]:
    """Return how many values lie in each of equal parts of a line; those outside it count at its ends."""
    share = (np.asarray(values, dtype=np.float64) - low) / (high - low or 1.0)
    piece = np.clip(share * bins, 0, bins - 1).astype(np.intp)
    return tuple(np.bincount(piece, minlength=bins).tolist())


def value_texts(strip: Strip) -> tuple[str, str]:
    """Return a strip's value, told apart from its limits, and its expanded uncertainty."""
    if strip.value is None:
        return "not measured", ""
    edges = (strip.pass_min, strip.pass_max, strip.fail_min, strip.fail_max)
    value, uncertainty = measured_texts(strip.value, COVERAGE * (strip.uncertainty or 0.0), strip.unit, edges)
    if strip.uncertainty is None and rests_on_volts(strip.unit):
        uncertainty = UNCALIBRATED
    return value + " or better" * strip.is_bound, uncertainty


def limits_text(strip: Strip) -> str:
    """Return the limits in words, nothing where there are none."""
    passes = _range(strip.pass_min, strip.pass_max, strip.unit)
    if not passes:
        return ""
    text = f"Passes {passes}"
    fails = []
    if strip.fail_min is not None and strip.fail_min != strip.pass_min:
        fails.append(f"below {limit_text(strip.fail_min, strip.unit)}")
    if strip.fail_max is not None and strip.fail_max != strip.pass_max:
        fails.append(f"above {limit_text(strip.fail_max, strip.unit)}")
    return f"{text}; fails {' or '.join(fails)}." if fails else f"{text}."


def _range(low: float | None, high: float | None, unit: str) -> str:
    if low is not None and high is not None:
        return f"from {plain_number(low)} to {limit_text(high, unit)}"
    if low is not None:
        return f"from {limit_text(low, unit)} up"
    return "" if high is None else f"up to {limit_text(high, unit)}"
