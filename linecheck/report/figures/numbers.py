"""The numbers of a figure in full as CSV: every point of every curve in the range, with the masks beside them.

RFC 4180, UTF-8, units in the header; what is not there is an empty field, and a text that a spreadsheet would take for
a formula has an apostrophe before it, as in ``linecheck log export``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import isfinite

import numpy as np

from linecheck.log.export.csv import field_text, line_bytes
from linecheck.report.figures.data import Figure, FloatArray, Series, Strip
from linecheck.report.figures.table import MASK_WORDS, limit_line_at, shown, with_unit


def csv(drawing: Figure | Sequence[Strip]) -> bytes:
    """Return the numbers of a figure, or of strips, as CSV.

    A figure has a row for each place at which any of its curves has a point, and a column for each curve and each edge
    of its mask. Strips have a row for each value: this unit's and the earlier ones.
    """
    lines = _of_figure(drawing) if isinstance(drawing, Figure) else _of_strips(drawing)
    return b"".join(lines)


def _of_figure(figure: Figure) -> Iterator[bytes]:
    curves = [shown(figure, series) for series in figure.series]
    places = np.unique(np.concatenate([*(series.x for series in curves), np.zeros(0)]))
    names = [series.label for series in curves]
    names += [MASK_WORDS[limit.zone, limit.side] for limit in figure.limits]
    heads = [with_unit(figure.x.label, figure.x.unit), *(with_unit(name, figure.y.unit) for name in names)]
    yield line_bytes(map(field_text, heads))
    columns = [_column(series, places) for series in curves]
    columns += [limit_line_at(limit, places, figure.x.log) for limit in figure.limits]
    for row in np.column_stack([places, *columns]).tolist():
        yield line_bytes(repr(value) if isfinite(value) else "" for value in row)


def _column(series: Series, places: FloatArray) -> FloatArray:
    """Return a curve at places that hold all of its own: NaN where it has no point, the highest of several."""
    values = np.full(len(places), -np.inf)
    np.maximum.at(values, np.searchsorted(places, series.x), series.y)
    values[np.isneginf(values)] = np.nan
    return values


_STRIP = (
    "metric",
    "channel",
    "unit",
    "passes from",
    "passes up to",
    "fails below",
    "fails above",
    "whose",
    "value",
)


def _of_strips(strips: Sequence[Strip]) -> Iterator[bytes]:
    yield line_bytes(map(field_text, _STRIP))
    for strip in strips:
        reading = strip.reading
        head = (reading.metric, reading.channel, reading.unit, *strip.edges)
        values = [("this unit", reading.value), *(("earlier unit", value) for value in strip.others)]
        for whose, value in values:
            yield line_bytes(map(field_text, (*head, whose, value)))
