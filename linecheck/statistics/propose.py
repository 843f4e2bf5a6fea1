"""Limits that follow from units: pass masks by tolerance intervals, fail masks by the risks of deciding.

==========================  ===============================================================================
:class:`Wanted`             yield and risks that the limits are to have
:class:`Proposal`           the mask of one metric, from all of its channels, and how it came about
:func:`propose`             the masks of many metrics
:func:`tolerance_of`        what at least a share of all units lies within, with confidence
==========================  ===============================================================================

The pass mask holds so large a share of units, with 95 % confidence, that all masks together let the wanted yield pass:
what they may cost is divided evenly among all masks and channels, so that it holds whatever they have in common. The
fail mask lies as far outside of it as measuring is uncertain: a unit that passes is beyond it no more often than the
consumer's risk, and a unit within it is failed no more often than the producer's; these are divided as well.

A tolerance interval is exact where readings are normal. Of a skewed fit, or with bounds among the readings, it is by
the distributions that the readings allow, of which as many hold the share as the confidence says. Without a
distribution it is by order statistics (Wilks), if there are units enough. Failed units are units.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special, stats

from linecheck.checks.base import CurveSpec, MetricSpec
from linecheck.limits.model import Bounds, Limit, Mask
from linecheck.statistics.capability import Choice, chosen
from linecheck.statistics.fits import Sample
from linecheck.statistics.intervals import CONFIDENCE
from linecheck.statistics.readings import MetricReadings
from linecheck.statistics.risks import guard_for
from linecheck.statistics.tolerances import one_sided_factor, rank_beyond, two_sided_factor, units_for

#: Limits are rounded outward to a digit that is no more than this part of the spread.
_ROUNDED_TO: Final = 0.1
_MAX_UNITS: Final = 10_000_000
_HALVINGS: Final = 16


@dataclass(frozen=True)
class Wanted:
    """What limits are to come to.

    ``yield_`` is the share of units that pass all masks, ``consumer`` and ``producer`` the largest risks of a unit,
    over all masks. ``masks`` is how many there are, each channel for itself.
    """

    yield_: float
    consumer: float
    producer: float
    masks: int
    confidence: float = CONFIDENCE

    @property
    def share(self) -> float:
        """The share of units within each mask."""
        return 1.0 - (1.0 - self.yield_) / self.masks


@dataclass(frozen=True)
class Span:
    """What at least a share of units lies within; infinite on a side that was not asked for."""

    low: float
    high: float
    method: str


@dataclass(frozen=True)
class Channel:
    """One channel's part in a proposal; ``span`` None, and ``why``, where so many units do not tell it."""

    readings: MetricReadings
    span: Span | None
    why: str = ""
    guard: float | None = None


@dataclass(frozen=True)
class Proposal:
    """The mask of a metric.

    ``mask`` is None, and ``why`` says it, where there is none to propose. ``notes`` are what its author has to know.
    """

    check: str
    metric: str
    spec: MetricSpec | CurveSpec
    present: Mask
    mask: Mask | None
    why: str
    channels: tuple[Channel, ...] = ()
    notes: tuple[str, ...] = ()


def propose(
    readings: Iterable[MetricReadings], wanted: Wanted, gauge: Mapping[tuple[str, str, str | None], float]
) -> list[Proposal]:
    """Return a proposal for each metric, by its channels; curves are not among them.

    Parameters
    ----------
    readings : iterable of MetricReadings
        Of metrics with a mask.
    wanted : Wanted
    gauge : mapping
        The standard deviation of measuring, from a gauge study, in place of the readings' own uncertainty.
    """
    grouped: dict[tuple[str, str], list[MetricReadings]] = {}
    for item in readings:
        if item.mask is not None and not item.is_curve:
            grouped.setdefault((item.check, item.metric), []).append(item)
    return [_proposal(channels, wanted, gauge) for channels in grouped.values()]


def _proposal(
    items: Sequence[MetricReadings], wanted: Wanted, gauge: Mapping[tuple[str, str, str | None], float]
) -> Proposal:
    first = items[0]
    present = first.mask
    assert present is not None
    lower, upper = first.tolerance(of_pass=True).limits
    channels = tuple(
        _channel(item, (lower is not None, upper is not None), wanted, gauge.get(item.key)) for item in items
    )
    untold = [f"{each.readings.channel or 'pair'}: {each.why}" for each in channels if each.span is None]
    if untold or (lower is None and upper is None):
        why = "; ".join(untold) or "its limits are at the ends of what is possible"
        return Proposal(first.check, first.metric, first.spec, present, None, why, channels)
    spans = [each.span for each in channels if each.span is not None]
    step = _step(min(item.sample.spread for item in items))
    low = None if lower is None else _rounded(min(span.low for span in spans), step, -1)
    high = None if upper is None else _rounded(max(span.high for span in spans), step, 1)
    guards = [each.guard for each in channels]
    notes = list(_notes(items))
    outer = _outer(
        present, low, high, None if None in guards else max(filter(None, guards), default=0.0), step
    )
    if None in guards:
        notes.append("no uncertainty is known: the fail mask keeps its distance")
    # What the mask says on a side that limits nothing stays.
    inner = Bounds(present.pass_.min if low is None else low, present.pass_.max if high is None else high)
    return Proposal(
        first.check, first.metric, first.spec, present, Mask(inner, outer), "", channels, tuple(notes)
    )


def _notes(items: Sequence[MetricReadings]) -> Iterable[str]:
    for item in items:
        where = item.channel or "pair"
        if item.missing:
            yield f"{where}: {item.missing} units are not measured, and in no limit"
        if item.void:
            yield f"{where}: {item.void} units are void, and in no limit"
        if item.sample.bounded:
            yield f"{where}: {item.sample.bounded} readings are bounds, and taken as that"


def _channel(item: MetricReadings, sides: tuple[bool, bool], wanted: Wanted, gauge: float | None) -> Channel:
    found = tolerance_of(item.sample, sides, wanted.share, wanted.confidence)
    if isinstance(found, str):
        return Channel(item, None, found)
    uncertainty = item.uncertainty if gauge is None else gauge
    return Channel(item, found, "", _guard(item.sample, found, uncertainty, wanted))


def _guard(sample: Sample, span: Span, uncertainty: float | None, wanted: Wanted) -> float | None:
    """Return how far outside the pass mask the fail mask lies; None where nobody knows how well is measured."""
    if uncertainty is None:
        return None
    if uncertainty == 0.0:
        return 0.0
    consumer, producer = wanted.consumer / wanted.masks, wanted.producer / wanted.masks
    own = sample.spread**2 - uncertainty**2
    if span.method.startswith("normal") and own > 0.0:
        accepted = (span.low, span.high)
        return guard_for(
            sample.mean, math.sqrt(own), uncertainty, accepted, consumer=consumer, producer=producer
        )
    # Whatever true values are: no reading at a limit has a larger specific risk than this.
    return uncertainty * float(-special.ndtri(min(consumer, producer)))


def tolerance_of(
    sample: Sample, sides: tuple[bool, bool], share: float, confidence: float = CONFIDENCE
) -> Span | str:
    """Return what at least a share of units lies within, with confidence; in words why so many units do not tell it.

    Parameters
    ----------
    sample : Sample
    sides : (bool, bool)
        Whether a lower and an upper limit are wanted.
    share, confidence : float
    """
    choice = chosen(sample)
    if choice.method == "normal" and not sample.bounded:
        return _normal_span(sample, sides, share, confidence)
    if choice.fit is not None:
        return _allowed_span(choice, sides, share, confidence)
    if sample.units < 2 or not sample.measured or not sample.spread > 0.0:
        return choice.why
    if sample.bounded and (all(sides) or sides[0] is not (sample.side > 0)):
        return f"{choice.why}; with bounds among the readings order statistics do not tell either"
    return _ranked_span(sample, sides, share, confidence, choice.why)


def _normal_span(sample: Sample, sides: tuple[bool, bool], share: float, confidence: float) -> Span:
    factor_of = two_sided_factor if all(sides) else one_sided_factor
    reach = factor_of(sample.units, share, confidence) * sample.spread
    return _span(sample.mean - reach, sample.mean + reach, sides, "normal")


def _allowed_span(choice: Choice, sides: tuple[bool, bool], share: float, confidence: float) -> Span:
    assert choice.fit is not None
    outside, doubt = 1.0 - share, 1.0 - confidence
    z = float(-special.ndtri(0.5 * outside if all(sides) else outside))
    allowed = choice.fit.allowed
    lows, highs = allowed.percentile(-z), allowed.percentile(z)

    def limits(tail: float) -> tuple[float, float]:
        return float(np.quantile(lows, tail)), float(np.quantile(highs, 1.0 - tail))

    low, high = limits(doubt)
    if all(sides):
        # Both limits together leave too much outside in so many of the distributions that the readings allow.
        def excess(tail: float) -> float:
            below, above = limits(tail)
            return float(np.mean(allowed.below(below) + allowed.above(above) > outside)) - doubt

        # Half of the doubt at each is always enough.
        low, high = limits(_last(excess, 0.5 * doubt, 0.5))
    return _span(low, high, sides, "normal with bounds" if choice.method == "normal" else "skewed fit")


def _last(excess: Callable[[float], float], low: float, high: float) -> float:
    """Return the last place at which what only grows is not above zero; the first one where it is nowhere."""
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if excess(middle) <= 0.0 else (low, middle)
    return low


def _ranked_span(
    sample: Sample, sides: tuple[bool, bool], share: float, confidence: float, why: str
) -> Span | str:
    rank = (
        rank_beyond_both(sample.units, share, confidence)
        if all(sides)
        else rank_beyond(sample.units, share, confidence)
    )
    if rank is None:
        needed = f"{_units_for_both(share, confidence) if all(sides) else units_for(share, confidence)}"
        return f"{why}; a limit by order statistics takes {needed} units, and there are {sample.units}"
    low, high = sample.ranked(rank), sample.ranked(sample.units + 1 - rank)
    return _span(low, high, sides, f"order statistics, the {_nth(rank)} from the end")


def rank_beyond_both(units: int, share: float, confidence: float = CONFIDENCE) -> int | None:
    """Return r: between the r-th smallest and the r-th largest value lies at least a share of all units (Wilks)."""

    def holds(rank: int) -> bool:
        return units - 2 * rank + 1 > 0 and stats.beta.sf(share, units - 2 * rank + 1, 2 * rank) >= confidence

    if not holds(1):
        return None
    low, high = 1, units
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low


def _units_for_both(share: float, confidence: float) -> int:
    low, high = 2, _MAX_UNITS
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (
            (low, middle) if rank_beyond_both(middle, share, confidence) is not None else (middle, high)
        )
    return high


def _nth(rank: int) -> str:
    return {1: "last", 2: "2nd", 3: "3rd"}.get(rank, f"{rank}th")


def _span(low: float, high: float, sides: tuple[bool, bool], method: str) -> Span:
    return Span(low if sides[0] else -math.inf, high if sides[1] else math.inf, method)


def _step(spread: float) -> float:
    """Return the digit that limits are rounded to."""
    if not spread > 0.0:
        return 0.0
    return float(10.0 ** math.floor(math.log10(_ROUNDED_TO * spread)))


def _rounded(value: float, step: float, way: int) -> float:
    """Return a limit rounded outward: down for way -1, up for 1."""
    if not step > 0.0:
        return value
    whole = math.floor(value / step + 1e-9) if way < 0 else math.ceil(value / step - 1e-9)
    digits = max(0, -round(math.log10(step)))
    return round(whole * step, digits)


def _outer(
    present: Mask, low: float | None, high: float | None, guard: float | None, step: float
) -> Bounds | None:
    """Return the fail mask around a pass mask; without a guard as far from it as it is now."""
    limits: dict[str, Limit | None] = {}
    for side, limit, way in (("min", low, -1), ("max", high, 1)):
        inner, outer = (
            None if bounds is None else getattr(bounds, side) for bounds in (present.pass_, present.fail)
        )
        if limit is None:
            limits[side] = outer
            continue
        distance = abs(outer - inner) if guard is None and inner is not None and outer is not None else guard
        limits[side] = None if distance is None else _rounded(limit + way * distance, step, way)
    found = Bounds(**limits)
    return found if found.sides else None
