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

from linecheck.checks.base import Reading
from linecheck.checks.parts.volts import rests_on_volts
from linecheck.history.population import Population
from linecheck.limits.model import Bounds, Mask
from linecheck.limits.verdict import JudgedReading
from linecheck.report.figures.data import COVERAGE, Edges, Strip
from linecheck.report.figures.words import limit_text, measured_texts, plain_number
from linecheck.run.model import CheckOutcome, Run

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
    limits = (mask.pass_.min, mask.pass_.max, outer.min, outer.max)
    flat = (None if limit is None or isinstance(limit, tuple) else float(limit) for limit in limits)
    edges = Edges(*flat)
    low, high = _ends(reading, (*edges, *usual_range(values)))
    standing = "" if others is None else others.standing
    return Strip(check, item, low, high, edges, others=values, standing=standing)


def _ends(reading: Reading, seen: Sequence[float | None]) -> tuple[float, float]:
    """Return from where to where a strip goes: all that is to be seen, the value with its uncertainty, and room."""
    spread, value = COVERAGE * (reading.uncertainty or 0.0), reading.value
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
    reading = strip.reading
    if reading.value is None:
        return "not measured", ""
    value, uncertainty = measured_texts(reading.value, strip.spread, reading.unit, strip.edges)
    if reading.uncertainty is None and rests_on_volts(reading.unit):
        uncertainty = UNCALIBRATED
    return value + " or better" * reading.is_bound, uncertainty


def limits_text(strip: Strip) -> str:
    """Return the limits in words, nothing where there are none."""
    unit, edges = strip.reading.unit, strip.edges
    passes = _range(edges.pass_min, edges.pass_max, unit)
    if not passes:
        return ""
    text = f"Passes {passes}"
    fails = []
    if edges.fail_min is not None and edges.fail_min != edges.pass_min:
        fails.append(f"below {limit_text(edges.fail_min, unit)}")
    if edges.fail_max is not None and edges.fail_max != edges.pass_max:
        fails.append(f"above {limit_text(edges.fail_max, unit)}")
    return f"{text}; fails {' or '.join(fails)}." if fails else f"{text}."


def _range(low: float | None, high: float | None, unit: str) -> str:
    if low is not None and high is not None:
        return f"from {plain_number(low)} to {limit_text(high, unit)}"
    if low is not None:
        return f"from {limit_text(low, unit)} up"
    return "" if high is None else f"up to {limit_text(high, unit)}"
