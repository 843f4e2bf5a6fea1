"""Every judged value of a check between its limits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from linecheck.history.population import Population
from linecheck.limits.model import Bounds, Limit, Mask
from linecheck.limits.verdict import JudgedReading
from linecheck.report.figures.data import Strip
from linecheck.report.figures.drawing.density import usual_range
from linecheck.run.model import CheckOutcome, Run

__all__ = ["strip_range", "strips_of_check"]


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
    edges = [_flat(limit) for limit in (mask.pass_.min, mask.pass_.max, outer.min, outer.max)]
    low, high = strip_range(reading.value, reading.uncertainty, edges, usual_range(values))
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
        pass_min=edges[0],
        pass_max=edges[1],
        fail_min=edges[2],
        fail_max=edges[3],
        others=values,
        percentile=None if others is None else others.percentile,
        standing="" if others is None else others.standing,
    )


def _flat(limit: Limit | None) -> float | None:
    return None if limit is None or isinstance(limit, tuple) else float(limit)


def strip_range(
    value: float | None,
    uncertainty: float | None,
    edges: Sequence[float | None],
    others: Sequence[float] = (),
) -> tuple[float, float]:
    """Return from where to where a strip goes: all limits, the value with its uncertainty, and room around them.

    Parameters
    ----------
    value, uncertainty : float or None
    edges : sequence of float or None
        The limits: pass from, pass up to, fail below, fail above.
    others : sequence of float
        What else is to be seen.
    """
    spread = 2.0 * (uncertainty or 0.0)
    shown = [edge for edge in edges if edge is not None] + list(others)
    shown += [] if value is None else [value - spread, value + spread]
    shown = [entry for entry in shown if np.isfinite(entry)]
    if not shown:
        return -1.0, 1.0
    low, high = min(shown), max(shown)
    span = high - low
    if span <= 0.0:
        span = 0.2 * abs(low) or 1.0
    return low - 0.2 * span, high + 0.2 * span
