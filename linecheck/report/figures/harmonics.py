"""Harmonics over level or over frequency, and THD+N beside them: which of them it is made of, and where it is noise."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from linecheck.checks.base import Curve
from linecheck.report.figures.data import Axis, Figure, Series
from linecheck.report.figures.source import Source
from linecheck.report.figures.words import place_text, value_text

_HARMONIC = re.compile(r"harmonic_(\d{1,2})")


def harmonics(source: Source, figure: Figure) -> Sequence[Figure]:
    """Return a figure for each channel: every recorded harmonic and THD+N, named where their lines end."""
    return tuple(_figures(source, figure))


def _figures(source: Source, figure: Figure) -> Iterator[Figure]:
    curves = [item.curve for item in source.check.judged.curves if len(item.curve.x)]
    named = [(int(found[1]), curve) for curve in curves if (found := _HARMONIC.fullmatch(curve.metric))]
    for channel in dict.fromkeys(curve.channel for _, curve in named):
        own = sorted((order, curve) for order, curve in named if curve.channel == channel)
        whole = [curve for curve in curves if curve.metric == "thd_n" and curve.channel == channel]
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
        names_at_ends=True,
        guides=(),
        caption="THD+N is of its band alone; a harmonic that noise hides stands at what noise leaves uncertain (k = 1)",
    )


def _highest(series: Series, figure: Figure) -> str:
    at = int(np.argmax(series.y))
    place, level = place_text(float(series.x[at]), figure.x.unit), value_text(float(series.y[at]), "dB")
    return f"{series.label} is highest at {place}, {level}."
