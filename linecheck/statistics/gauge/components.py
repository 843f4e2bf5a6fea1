"""What components of variance come to: standard deviations, percentages, distinct categories, each with an interval.

Intervals are generalized confidence intervals (Tsui and Weerahandi; of gauge studies Hamada and Weaver, Technometrics
42, 2000): each mean square is divided by a random chi-square over its degrees of freedom, each figure follows from it,
a negative one counts as zero, and its 2.5 % and 97.5 % points are the interval. What levels add is one sum before it
counts as zero: else what is not there would add up. One set of draws serves all figures of all metrics, and is the same
each time. They hold the truth in 95 % of studies; of a component that is zero or almost, in up to 97.5 %.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np

from linecheck.statistics.gauge.anova import (
    INTERACTION,
    LEVEL,
    REPEAT,
    UNIT,
    Array,
    Model,
)

DRAWS: Final = 20_000
CONFIDENCE: Final = 0.95
#: Distinct categories are told by the ratio of units to station, times this: the square root of two, as it is used.
CATEGORIES: Final = 1.41
#: What a study spans, in standard deviations; and the wider half of it, for a mask with one side.
SPAN: Final = 6.0
#: A guardband of so many standard deviations leaves a unit inside its limit with 95 % (ISO 14253-1:2017, one side).
GUARD: Final = 1.6448536269514722
_SEED: Final = 20_260_101


@dataclass(frozen=True)
class Interval:
    """A figure and the interval that holds the truth with 95 %; ``low`` and ``high`` None where it cannot be told."""

    value: float
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True)
class Components:
    """What varies in a metric, as variances in the metric's unit squared.

    ``repeat`` is the station's noise on one unit, ``reproducibility`` what levels add to it (their own shift, and that
    it differs from unit to unit), ``gauge`` both, ``total`` with the units. Negative estimates count as zero.
    """

    model: Model
    variances: Mapping[str, Interval]
    studied: Mapping[str, Interval]
    ndc: Interval | None
    #: How surely levels add more than repeats; None where there are no levels.
    level_exceeds_repeat: float | None

    @property
    def categories(self) -> int | None:
        """Distinct categories, as a whole number; None where the station adds nothing."""
        return None if self.ndc is None else math.floor(self.ndc.value)

    def deviation(self, name: str) -> Interval:
        """Return a component as a standard deviation."""
        found = self.variances[name]
        return Interval(math.sqrt(found.value), _root(found.low), _root(found.high))


def components(model: Model, ms: Array) -> Components:
    """Return what the mean squares of one metric come to."""
    sums = _figures({name: np.maximum(value, 0.0) for name, value in model.components(ms).items()})
    drawn = model.components(ms * np.asarray(model.df) / _chi_squares(model.df))
    # Levels add nothing at the least: what holds without them bounds what holds with them.
    without = _figures({name: drawn[name] for name in (REPEAT, UNIT)})
    figures = _figures(drawn)
    variances = {}
    for name, value in sums.items():
        least = without[name] if name in ("gauge", "total") else None
        variances[name] = _interval(float(value), figures[name], at_least=least)
    studied: dict[str, Interval] = {}
    if sums["total"] > 0:
        for name in (name for name in sums if name != "total"):
            share, alone = (_share(each, name) for each in (figures, without))
            bounds = {} if name not in _BOUNDED else {_BOUNDED[name]: alone}
            studied[name] = _interval(float(_share(sums, name)), share, **bounds)
    ndc = None
    if sums["gauge"] > 0:
        ndc = _interval(float(_ratio(sums)), _ratio(figures), at_most=_ratio(without))
    exceeds = float(np.mean(figures["reproducibility"] > figures[REPEAT])) if LEVEL in drawn else None
    return Components(model, variances, studied, ndc, exceeds)


def of_one_side(model: Model, ms: Array, left: float) -> Interval:
    """Return the station's half span as percentage of what is left between the units' mean and a limit.

    The mean of so few units is no better known than they vary: what is left is drawn too, as normal. Where that may be
    nothing there is no upper bound.
    """
    drawn_ms = ms * np.asarray(model.df) / _chi_squares(model.df)
    parts = model.components(drawn_ms)
    figures, without = _figures(parts), _figures({name: parts[name] for name in (REPEAT, UNIT)})
    # Draws of the mean, beside those of the mean squares.
    reach = np.sqrt(np.maximum(model.variance_of_mean(drawn_ms), 0.0))
    room = left + reach * np.random.default_rng(_SEED + 1).standard_normal(DRAWS)
    sums = _figures({name: np.maximum(value, 0.0) for name, value in model.components(ms).items()})
    half = 50.0 * SPAN
    with np.errstate(divide="ignore", invalid="ignore"):
        told, least = (
            np.where(room > 0.0, half * np.sqrt(each["gauge"]) / room, np.inf) for each in (figures, without)
        )
    return _interval(half * math.sqrt(sums["gauge"]) / left, told, at_least=least)


def scaled(interval: Interval, factor: float) -> Interval:
    """Return a figure times a factor."""
    low, high = interval.low, interval.high
    return Interval(
        interval.value * factor,
        None if low is None else low * factor,
        None if high is None else high * factor,
    )


#: Which bound of a percentage follows from the study without levels.
_BOUNDED: Final = {REPEAT: "at_most", UNIT: "at_most", "gauge": "at_least"}


def _figures(parts: Mapping[str, Array]) -> dict[str, Array]:
    """Return the figures that are told of, of components that may be negative."""
    none = np.zeros(())
    added = parts.get(LEVEL, none) + parts.get(INTERACTION, none)
    gauge = np.maximum(parts[REPEAT] + added, 0.0)
    unit = np.maximum(parts[UNIT], 0.0)
    told = {
        REPEAT: parts[REPEAT],
        "reproducibility": np.maximum(added, 0.0),
        "gauge": gauge,
        UNIT: unit,
        "total": gauge + unit,
    }
    return told | {name: np.maximum(parts[name], 0.0) for name in (LEVEL, INTERACTION) if name in parts}


def _share(figures: Mapping[str, Array], name: str) -> Array:
    with np.errstate(divide="ignore", invalid="ignore"):
        part = figures.get(name, np.zeros(())) / figures["total"]
    return 100 * np.sqrt(np.clip(np.nan_to_num(part), 0.0, 1.0))


def _ratio(figures: Mapping[str, Array]) -> Array:
    with np.errstate(divide="ignore", invalid="ignore"):
        return CATEGORIES * np.sqrt(figures[UNIT] / figures["gauge"])


def _interval(
    value: float, drawn: Array, *, at_least: Array | None = None, at_most: Array | None = None
) -> Interval:
    if drawn.ndim == 0:  # what the study has no source for
        return Interval(value)
    low, high = _tails(drawn)
    if at_least is not None:
        low = max(low, _tails(at_least)[0])
    if at_most is not None:
        high = min(high, _tails(at_most)[1])
    return Interval(value, low, high if math.isfinite(high) else None)


def _tails(drawn: Array) -> tuple[float, float]:
    tail = 50 * (1 - CONFIDENCE)
    low, high = np.percentile(drawn, (tail, 100 - tail), method="inverted_cdf")
    return float(low), float(high)


def _root(value: float | None) -> float | None:
    return None if value is None else math.sqrt(value)


@cache
def _chi_squares(df: tuple[int, ...]) -> Array:
    """Return draws of chi-squares, a column for each source: evenly spread over each, and mixed at random."""
    from scipy.stats import chi2

    generator = np.random.default_rng(_SEED)
    even = (np.arange(DRAWS) + 0.5) / DRAWS
    drawn: Array = np.stack([chi2.ppf(generator.permutation(even), each) for each in df], axis=1)
    return drawn
