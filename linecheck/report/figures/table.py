"""Which points of a figure are drawn, and the table of them behind it.

=======================  =======================================================================
:func:`drawn_series`     the points of each curve that are drawn, at most :data:`MAX_DRAWN`
:func:`table_of`         the numbers of a figure: a row for each of at most :data:`MAX_ROWS` places
=======================  =======================================================================

Both come from one choice: every row of the table is a point that is drawn, of the curve's own points. The axis is cut
into equal pieces (equal ratios on a logarithmic axis), and the highest or lowest of each piece is kept, so that no
line and no dip that matters is lost.

A curve's cell of the table is the value of that curve's own point there; it is empty where the curve has no point at
that very place. The marked points, and those with a name, are all listed. A mask's cell is the mask there, empty where
it has no limit.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import isfinite

import numpy as np
from numpy.typing import NDArray

from linecheck.limits.masks import limit_at
from linecheck.report.figures.data import Axis, Figure, FloatArray, LimitLine, Series

MAX_DRAWN, MAX_ROWS = 800, 60
#: All curves of a figure together have about so many points, which keeps its file small; where they are many, their
#: names and marks take room too.
_ALL_DRAWN, _ALL_OF_MANY, _MANY = 1500, 1000, 5
#: Curves of several references have together about so many points, and none of them has fewer than so many.
_ALL_BESIDE, _LEAST_BESIDE = 3000, 60


def shown(figure: Figure, series: Series) -> Series:
    """Return a curve without what has no place in the figure: not finite, or x <= 0 on a logarithmic axis."""
    size = min(len(series.x), len(series.y))
    x, y = np.asarray(series.x[:size], dtype=float), np.asarray(series.y[:size], dtype=float)
    kept = np.isfinite(x) & np.isfinite(y)
    if figure.x.log:
        kept &= x > 0.0
    if figure.x.low is not None:
        kept &= x >= figure.x.low
    if figure.x.high is not None:
        kept &= x <= figure.x.high
    return replace(series, x=x[kept], y=y[kept])


def drawn_series(figure: Figure) -> tuple[Series, ...]:
    """Return the curves as they are drawn; their points are those of the curves, only fewer."""
    curves = [shown(figure, series) for series in figure.series]
    places = _listed_places(figure)
    beside = sum(map(_is_beside, curves))
    most = _most_drawn(len(curves) - beside)
    most_beside = min(MAX_DRAWN, max(_LEAST_BESIDE, _ALL_BESIDE // max(beside, 1)))
    return tuple(
        _thinned(series, figure.x, places[:0], most_beside)
        if _is_beside(series)
        else _thinned(series, figure.x, places, most)
        for series in curves
    )


def _is_beside(series: Series) -> bool:
    """Return whether a curve is that of one of several references, which take no points from the figure's own."""
    return series.is_reference and (series.look is not None or series.is_thin)


def _listed_places(figure: Figure) -> FloatArray:
    """Return the x of each row of the table, ascending: at most :data:`MAX_ROWS`, and the marked points besides."""
    own = (shown(figure, entry) for entry in figure.series if not _is_beside(entry))
    curves = [series for series in own if len(series.x)]
    if not curves:
        return np.zeros(0)
    x = np.concatenate([series.x for series in curves])
    distinct = np.unique(x)
    named = (*(mark.x for mark in figure.marks), *(tag.x for tag in figure.tags))
    marked = np.array([place for place in named if place in distinct])
    most = max(min(MAX_ROWS, _most_drawn(len(curves)) // 3), 2)
    if len(distinct) <= most:
        return distinct
    y = np.concatenate([series.y for series in curves])
    pieces = most // 2 if figure.hold == "both" else most
    heights = {"max": (y,), "min": (-y,), "both": (y, -y)}[figure.hold]
    kept = [x[_held(x, height, figure.x, pieces)] for height in heights]
    return np.unique(np.concatenate((*kept, marked)))


def _most_drawn(curves: int) -> int:
    """Return how many points each of so many curves may have."""
    most = _ALL_DRAWN if curves < _MANY else _ALL_OF_MANY
    return min(MAX_DRAWN, most // max(curves, 1))


def _thinned(series: Series, axis: Axis, places: FloatArray, most: int) -> Series:
    """Return the highest and lowest of every piece, the ends, and all listed places."""
    x, y = series.x, series.y
    if len(x) <= most:
        return series
    listed = np.flatnonzero(np.isin(x, places))
    pieces = max((most - len(listed) - 2) // 2, 2)
    kept = [_held(x, y, axis, pieces), _held(x, -y, axis, pieces), listed, np.array([0, len(x) - 1])]
    index = np.unique(np.concatenate(kept))
    return replace(series, x=x[index], y=y[index])


def _held(x: FloatArray, height: FloatArray, axis: Axis, pieces: int) -> NDArray[np.intp]:
    """Return the index of the greatest height in each piece of the axis that holds a point."""
    along = np.log(x) if axis.log else x
    first, span = float(np.min(along)), float(np.ptp(along))
    piece = np.zeros(len(x), dtype=np.intp)
    if span > 0.0:
        piece = np.minimum(((along - first) / span * pieces).astype(np.intp), pieces - 1)
    order = np.lexsort((height, piece))
    last = np.append(np.flatnonzero(np.diff(piece[order])), len(x) - 1)
    held: NDArray[np.intp] = order[last]
    return held


#: What an edge of a mask is called in a heading.
MASK_WORDS = {
    ("pass", "max"): "passes up to",
    ("pass", "min"): "passes from",
    ("fail", "max"): "fails above",
    ("fail", "min"): "fails below",
}


@dataclass(frozen=True)
class Table:
    """Headings, and rows with one number (or None) for each of them; the first column is the place."""

    headings: tuple[str, ...]
    rows: tuple[tuple[float | None, ...], ...]


def table_of(figure: Figure) -> Table:
    """Return the numbers of a figure."""
    places = _listed_places(figure)
    columns = [_own(series, places) for series in drawn_series(figure)]
    columns += [limit_line_at(limit, places, figure.x.log) for limit in figure.limits]
    names = [series.label for series in figure.series]
    names += [MASK_WORDS[limit.zone, limit.side] for limit in figure.limits]
    headings = [with_unit(figure.x.label, figure.x.unit), *(with_unit(name, figure.y.unit) for name in names)]
    rows = np.column_stack([places, *columns]).tolist()
    finite = (tuple(cell if isfinite(cell) else None for cell in row) for row in rows)
    return Table(tuple(headings), tuple(finite))


def limit_line_at(limit: LimitLine, places: FloatArray, log_x: bool) -> FloatArray:
    """Return a limit line at places along the axis; NaN beyond its ends."""
    corners = zip(limit.x.tolist(), limit.y.tolist(), strict=True)
    kept = tuple(corner for corner in corners if corner[0] > 0.0 or not log_x)
    return limit_at(kept or None, places, log_x)


def _own(series: Series, places: FloatArray) -> FloatArray:
    """Return the curve's own points at these places; NaN where it has none."""
    values = np.full(len(places), np.nan)
    if len(series.x):
        index = np.minimum(np.searchsorted(series.x, places), len(series.x) - 1)
        same = series.x[index] == places
        values[same] = series.y[index][same]
    return values


def with_unit(label: str, unit: str) -> str:
    """Return what heads a column or stands along an axis."""
    return f"{label}, {unit}" if unit else label
