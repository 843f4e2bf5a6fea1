"""The table behind a figure: the same numbers that are drawn.

Each row is one place along the x axis. A curve's cell is the value of that curve's own point there, which is a corner
of the line that is drawn; it is empty where the curve has no point at that very place. The marked points are all
listed. A mask's cell is the mask at that place, empty where it has no limit.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linecheck.limits.masks import limit_at
from linecheck.report.figures.data import Figure, LimitLine, Series
from linecheck.report.figures.drawing.reduce import drawn_series, listed_places

__all__ = ["Table", "limit_line_at", "table_of"]

FloatArray = NDArray[np.float64]

_WORDS = {
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
    places = listed_places(figure)
    columns = [_own(series, places) for series in drawn_series(figure)]
    columns += [limit_line_at(limit, places, figure.x.log) for limit in figure.limits]
    headings = [_with_unit(figure.x.label, figure.x.unit)]
    headings += [_with_unit(series.label, figure.y.unit) for series in figure.series]
    headings += [_with_unit(_WORDS[limit.zone, limit.side], figure.y.unit) for limit in figure.limits]
    rows = tuple(
        (float(place), *(_cell(column[index]) for column in columns)) for index, place in enumerate(places)
    )
    return Table(tuple(headings), rows)


def limit_line_at(limit: LimitLine, places: FloatArray, log_x: bool) -> FloatArray:
    """Return a limit line at places along the axis; NaN beyond its ends."""
    corners = zip(limit.x.tolist(), limit.y.tolist(), strict=True)
    return limit_at(
        tuple(corner for corner in corners if corner[0] > 0.0 or not log_x) or None, places, log_x
    )


def _own(series: Series, places: FloatArray) -> FloatArray:
    """Return the curve's own points at these places; NaN where it has none."""
    values = np.full(len(places), np.nan)
    if len(series.x):
        index = np.minimum(np.searchsorted(series.x, places), len(series.x) - 1)
        same = series.x[index] == places
        values[same] = series.y[index][same]
    return values


def _cell(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _with_unit(label: str, unit: str) -> str:
    return f"{label}, {unit}" if unit else label
