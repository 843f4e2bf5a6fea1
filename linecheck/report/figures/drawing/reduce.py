"""Which points of a figure are drawn, and which of these its table lists.

=======================  =======================================================================
:func:`drawn_series`     the points of each curve that are drawn, at most :data:`MAX_DRAWN`
:func:`listed_places`    the places along the axis that the table has a row for
=======================  =======================================================================

Both come from one choice: every row of the table is a point that is drawn, of the curve's own points. The axis is cut
into equal pieces (equal ratios on a logarithmic axis), and the highest or lowest of each piece is kept, so that no
line and no dip that matters is lost.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from linecheck.report.figures.data import Axis, Figure, Series

__all__ = ["MAX_DRAWN", "MAX_ROWS", "drawn_series", "listed_places", "shown"]

FloatArray = NDArray[np.float64]

MAX_DRAWN, MAX_ROWS = 800, 200
#: All curves of a figure together have about so many points, which keeps its file small; where they are many, their
#: names and marks take room too.
_ALL_DRAWN, _ALL_OF_MANY, _MANY = 1500, 1000, 5


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
    places = listed_places(figure)
    most = _most_drawn(len(curves))
    return tuple(_thinned(series, figure.x, places, most) for series in curves)


def listed_places(figure: Figure) -> FloatArray:
    """Return the x of each row of the table, ascending: at most :data:`MAX_ROWS`, and the marked points besides."""
    curves = [series for series in (shown(figure, entry) for entry in figure.series) if len(series.x)]
    if not curves:
        return np.zeros(0)
    x = np.concatenate([series.x for series in curves])
    distinct = np.unique(x)
    marked = np.array([mark.x for mark in figure.marks if mark.x in distinct])
    most = max(min(MAX_ROWS, _most_drawn(len(curves)) // 3), 2)
    if len(distinct) <= most:
        return distinct
    y = np.concatenate([series.y for series in curves])
    pieces = most // 2 if figure.hold == "both" else most
    kept = [x[_held(x, value, figure.x, pieces)] for value in _heights(y, figure.hold)]
    return np.unique(np.concatenate((*kept, marked)))


def _most_drawn(curves: int) -> int:
    """Return how many points each of so many curves may have."""
    most = _ALL_DRAWN if curves < _MANY else _ALL_OF_MANY
    return min(MAX_DRAWN, most // max(curves, 1))


def _heights(y: FloatArray, hold: str) -> tuple[FloatArray, ...]:
    """Return what is to be as large as it can be at the points that are kept."""
    return {"max": (y,), "min": (-y,), "both": (y, -y)}[hold]


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
