"""What a figure of a check is made from, besides its curve: the stimulus, the values read, the masks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from linecheck.limits.model import Bounds, Limit, Mask
from linecheck.limits.verdict import JudgedCurve
from linecheck.report.figures.data import Figure, Series
from linecheck.report.figures.words import place_text
from linecheck.run.model import CheckOutcome, Run

#: A line is about so wide, as a share of what a figure's curves span.
_LINE_SHARE = 1.0 / 200.0


@dataclass(frozen=True)
class Source:
    """A check of a run, and those of its curves that are in a figure."""

    view: Run
    check: CheckOutcome
    items: Sequence[JudgedCurve]

    def mask(self, metric: str) -> Mask | None:
        """Return the mask of a metric of the check."""
        return self.view.mask(self.check.check, metric)

    def curves(self, metric: str) -> list[JudgedCurve]:
        """Return the check's curves of this name that have points."""
        return [
            item for item in self.check.judged.curves if item.curve.metric == metric and len(item.curve.x)
        ]

    def values(self, metric: str) -> dict[str, float]:
        """Return what was read of a metric, by channel."""
        readings = (item.reading for item in self.check.judged.readings if item.reading.metric == metric)
        return {reading.channel or "pair": reading.value for reading in readings if reading.value is not None}

    def played(self, parameter: str) -> float | None:
        """Return a parameter of the stimulus; None where the record says nothing of it."""
        limits = self.view.limits_of(self.check.check)
        value = None if limits is None else getattr(limits.stimulus, parameter, None)
        return float(value) if isinstance(value, int | float) else None


#: Makes a figure of another one of the same curve; None where there is nothing to see.
Maker = Callable[[Source, Figure], Figure | None]
#: Makes several of it.
ManyMaker = Callable[[Source, Figure], Sequence[Figure]]


def adding(figure: Figure, words: str, caption: str = "") -> Figure:
    """Return a figure with more words for those who do not see it, and more in its caption."""
    captions = filter(None, (figure.caption, caption))
    return replace(figure, alt=f"{figure.alt} {words}".strip(), caption="; ".join(captions))


def at_places(values: dict[str, float], unit: str) -> str:
    """Return each channel's value in words, once where they are the same."""
    texts = {channel: place_text(value, unit) for channel, value in values.items()}
    if len(set(texts.values())) == 1:
        return next(iter(texts.values()))
    return ", ".join(f"{channel} {text}" for channel, text in texts.items())


def one_where_alike(series: Sequence[Series], name: str, beside: Sequence[Series] = ()) -> list[Series]:
    """Return these curves, one for all where they lie within a line's width of each other, named for that.

    ``beside`` are others in the same figure.
    """
    first = series[0] if series else None
    if first is None or len(series) < 2:
        return list(series)
    span = np.ptp(np.concatenate([entry.y for entry in (*series, *beside)]))
    alike = all(
        np.array_equal(entry.x, first.x) and np.max(np.abs(entry.y - first.y)) <= _LINE_SHARE * span
        for entry in series
    )
    return [replace(first, label=name)] if alike else list(series)


def borrowed(metric: Mask | None, how: str) -> Mask | None:
    """Return what a metric's flat mask limits of the curve that the metric is the worst of.

    ``how`` says what the metric is of the curve: its ``greatest``, ``least`` or greatest value either way
    (``largest``), or how far its greatest lies below zero (``below``).
    """
    if metric is None:
        return None
    zones = [metric.pass_, metric.fail]
    made = [None if zone is None else _BORROWED[how](zone.min, zone.max) for zone in zones]
    inner, outer = made
    return Mask(inner, outer) if inner is not None else None


def _flat(limit: Limit | None) -> float | None:
    return limit if isinstance(limit, float | int) else None


def _negative(limit: Limit | None) -> float | None:
    flat = _flat(limit)
    return None if flat is None else -flat


_BORROWED: dict[str, Callable[[Limit | None, Limit | None], Bounds]] = {
    "greatest": lambda _, high: Bounds(max=_flat(high)),
    "least": lambda low, _: Bounds(min=_flat(low)),
    "largest": lambda _, high: Bounds(min=_negative(high), max=_flat(high)),
    "below": lambda low, _: Bounds(max=_negative(low)),
}
