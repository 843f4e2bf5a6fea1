"""Harmonics over level or over frequency, and THD+N beside them: which of them it is made of, and where it is noise."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from linecheck.checks.base import Curve
from linecheck.report.figures.data import Axis, Figure, Series, Tag
from linecheck.report.figures.source import Source
from linecheck.report.figures.words import place_text, value_text

_HARMONIC = re.compile(r"harmonic_(\d{1,2})")
#: A line's name stands within this share of the axis, where the other lines are furthest above.
_NAMED_WITHIN = (0.08, 0.92)


def harmonics(source: Source, figure: Figure) -> Sequence[Figure]:
    """Return a figure for each channel: every recorded harmonic and THD+N, named at their lines."""
    return tuple(_figures(source, figure))


def _figures(source: Source, figure: Figure) -> Iterator[Figure]:
    curves = [item.curve for item in source.check.judged.curves if len(item.curve.x)]
    named = [(int(found[1]), curve) for curve in curves if (found := _HARMONIC.fullmatch(curve.metric))]
    for channel in dict.fromkeys(curve.channel for _, curve in named):
        own = sorted((order, curve) for order, curve in named if curve.channel == channel)
        whole = [item.curve for item in source.items if item.curve.channel == channel]
        yield _of_channel(source.check.check, channel or "pair", figure, own, whole)


def _of_channel(
    check: str, channel: str, figure: Figure, own: Sequence[tuple[int, Curve]], whole: Sequence[Curve]
) -> Figure:
    series = [Series("THD+N", curve.x, curve.y) for curve in whole]
    series += [Series(f"H{order}", curve.x, curve.y) for order, curve in own]
    over = "level" if figure.x.unit == "dBFS" else "frequency"
    title = f"{check}: harmonics and THD+N over {over}, re the tone ({channel})"
    told = [_highest(entry, figure) for entry in series]
    return replace(
        figure,
        name=f"harmonics-{channel}",
        title=title,
        alt=" ".join((f"{title}.", *told)),
        y=Axis("re the tone", "dB"),
        series=tuple(series),
        limits=(),
        marks=(),
        tags=tuple(_tags(series, log_x=figure.x.log)),
        guides=(),
        caption="where noise hides a harmonic, it stands at what noise leaves uncertain (k = 1)",
    )


def _highest(series: Series, figure: Figure) -> str:
    at = int(np.argmax(series.y))
    place, level = place_text(float(series.x[at]), figure.x.unit), value_text(float(series.y[at]), "dB")
    return f"{series.label} is highest at {place}, {level}."


def _tags(series: Sequence[Series], *, log_x: bool) -> Iterator[Tag]:
    """Yield each line's name, at the point of it above which there is most room."""
    for entry in series:
        along = np.log(entry.x) if log_x else entry.x
        share = (along - along[0]) / max(float(along[-1] - along[0]), 1e-12)
        room = np.full(len(entry.x), np.inf)
        for other in series:
            if other is not entry:
                above = np.interp(along, np.log(other.x) if log_x else other.x, other.y) - entry.y
                room = np.minimum(room, np.where(above > 0.0, above, np.inf))
        room[(share < _NAMED_WITHIN[0]) | (share > _NAMED_WITHIN[1])] = 0.0
        # Of places with all the room there is, the one where the line is highest.
        best = max(range(len(room)), key=lambda at: (min(room[at], 1e9), entry.y[at]))
        yield Tag(float(entry.x[best]), float(entry.y[best]), entry.label)
