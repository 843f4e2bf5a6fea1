"""A filter's response where it matters: its pass band as closely as it is flat, its transition along a linear axis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Literal

import numpy as np

from linecheck.limits.model import Bounds, Limit
from linecheck.report.figures.data import Axis, Figure, FloatArray, Guide, LimitLine, Mark, Series
from linecheck.report.figures.source import Source, adding, at_places
from linecheck.report.figures.words import metric_name, place_text

#: A pass band is looked at as closely as it is flat, but no more closely than this, dB.
_CLOSEST_DB = 0.05
#: What falls or rises further than this within the pass band is cut, dB: that is no pass band.
_FURTHEST_DB = 10.0
#: A transition is looked at between these, re the rate: from the edge of the audio band to where the images of all of
#: it have come.
_TRANSITION = (0.4, 0.65)
#: Readings of corners, and what each says.
_FALLS = (
    ("corner_low", "Down by 3 dB"),
    ("corner_high", "Down by 3 dB"),
    ("corner_3db", "Down by 3 dB"),
    ("corner_6db", "Down by 6 dB"),
)
#: What their limits are called in a figure, where a metric's whole name would be too long.
_LIMITED = {"corner_3db": "−3 dB", "corner_6db": "−6 dB", "stopband_from": "stop band's begin"}
#: The corners that a transition is told by: the readings of each, and how far down it is.
_CORNERS = (("corner_3db", -3.0), ("corner_6db", -6.0))


def pass_band_ends(inside: Sequence[FloatArray], limits: Sequence[LimitLine] = ()) -> tuple[float, float]:
    """Return from where to where the y axis of a pass band goes: what the curves do there, and masks that are near.

    Parameters
    ----------
    inside : sequence of float64 array
        The levels of each curve within the band, dB.
    limits : sequence of LimitLine
        Drawn in any case; the axis reaches for those that are no further away than what the curves span.
    """
    levels = np.concatenate([np.zeros(1), *inside])
    low = max(float(np.min(levels)), -_FURTHEST_DB)
    high = min(float(np.max(levels)), _FURTHEST_DB)
    low, high = min(low, -_CLOSEST_DB), max(high, _CLOSEST_DB)
    reach = max(high - low, 0.5)
    edges = np.concatenate([np.zeros(0), *(limit.y[np.isfinite(limit.y)] for limit in limits)])
    near = edges[(edges >= low - reach) & (edges <= high + reach)]
    low, high = min(low, *near, low), max(high, *near, high)
    span = high - low
    step = 10.0 ** np.floor(np.log10(span)) / 10.0
    # Room for words above.
    low, high = low - 0.06 * span, high + 0.14 * span
    return float(np.floor(low / step) * step), float(np.ceil(high / step) * step)


def with_corners(source: Source, figure: Figure) -> Figure:
    """Say where the corners are, for those who do not see them."""
    told = [
        f"{words} at {at_places(found, 'Hz')}."
        for metric, words in _FALLS
        if (found := source.values(metric))
    ]
    limits = place_limits(source, figure, ("corner_low", "corner_high"))
    told += [f"Limit: {guide.text}." for guide in limits]
    return adding(replace(figure, guides=(*figure.guides, *limits)), " ".join(told))


def place_limits(source: Source, figure: Figure, metrics: Sequence[str]) -> tuple[Guide, ...]:
    """Return the limits of metrics that are places along the x axis, those that it reaches, ascending."""
    low, high = figure.x.low, figure.x.high
    reach = np.concatenate([series.x for series in figure.series if not series.is_reference])
    first = float(np.min(reach)) if low is None else low
    last = float(np.max(reach)) if high is None else high
    found: list[Guide] = []
    for metric in metrics:
        mask = source.mask(metric)
        if mask is None:
            continue
        name = _LIMITED.get(metric) or metric_name(metric)
        inner, outer = (Bounds(), mask.pass_) if mask.fail is None else (mask.pass_, mask.fail)
        edges: tuple[tuple[Literal["pass", "fail"], str, str, Limit | None], ...] = (
            ("fail", "min", "fails below", outer.min),
            ("pass", "min", "passes from", inner.min),
            ("pass", "max", "passes up to", inner.max),
            ("fail", "max", "fails above", outer.max),
        )
        found += [
            Guide(float(edge), f"{name} {words} {place_text(edge, figure.x.unit, 5)}", zone, side == "min")
            for zone, side, words, edge in edges
            if isinstance(edge, float | int) and first <= edge <= last
        ]
    return tuple(sorted(found, key=lambda guide: guide.x))


def transition(source: Source, figure: Figure) -> Figure | None:
    """Return how a response falls from its pass band into its stop band; None where the curve does not go there."""
    rate_hz = source.played("rate_hz")
    if rate_hz is None:
        return None
    low, high = (share * rate_hz for share in _TRANSITION)
    inside = [(item.curve.x >= low) & (item.curve.x <= high) for item in source.items]
    beyond = (bool(np.any(item.curve.x >= 0.5 * rate_hz)) for item in source.items)
    if not any(beyond) or not all(np.any(at) for at in inside):
        return None
    corners = [
        Mark(
            next(iter(found.values())), level, f"{level:.0f} dB at {at_places(found, 'Hz')}".replace("-", "−")
        )
        for metric, level in _CORNERS
        if (found := source.values(metric) or _falls_through(figure.series, level))
    ]
    title = figure.title.replace(", full depth", ", transition")
    half = Guide(0.5 * rate_hz, f"half the rate, {place_text(0.5 * rate_hz, 'Hz', 5)}")
    drawn = replace(figure, x=Axis(figure.x.label, figure.x.unit, low=low, high=high))
    limits = place_limits(source, drawn, ("corner_3db", "corner_6db", "stopband_from"))
    told = [f"{mark.text}." for mark in corners] + [f"The line is {half.text}.", *_stop_band(source)]
    told += [f"Limit: {guide.text}." for guide in limits]
    return replace(
        drawn,
        name=figure.name.replace("full-depth", "transition"),
        title=title,
        alt=" ".join((f"{title}.", *told)),
        marks=(*corners, *(mark for mark in figure.marks if low <= mark.x <= high)),
        guides=(half, *limits),
        caption="; ".join(filter(None, (figure.caption, *(text.rstrip(".") for text in _stop_band(source))))),
    )


def _stop_band(source: Source) -> list[str]:
    """Return how deep the stop band is, in words, as it was read."""
    depths = source.values("stopband_attenuation")
    if not depths:
        return []
    begins = source.values("stopband_from")
    place = f", from {at_places(begins, 'Hz')}" if begins else ""
    texts = ", ".join(f"{channel} {depth:.1f} dB" for channel, depth in depths.items())
    return [f"stop band attenuation: {texts}{place}."]


def _falls_through(curves: Sequence[Series], level: float) -> dict[str, float]:
    """Return where each curve first falls below a level above 1 kHz, by straight lines; none where it does not."""
    found = {}
    for series in curves:
        below = np.flatnonzero((series.y < level) & (series.x > 1000.0))
        if not series.is_reference and len(below) and below[0] > 0:
            at = slice(below[0] - 1, below[0] + 1)
            found[series.label] = float(np.interp(-level, -series.y[at], series.x[at]))
    return found
