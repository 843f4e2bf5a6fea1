"""From where to where a figure's axes go, and what is written along them.

====================  ==============================================================
:class:`Frame`        the ends of both axes
:func:`frame_of`      the frame of a figure: its data and its masks are to be seen
====================  ==============================================================
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from linecheck.report.figures.data import Figure, FloatArray
from linecheck.report.figures.table import shown

#: A dip deeper than this below what most of a curve does is cut by the axis and does not flatten the rest.
_DEEPEST_DB = 25.0
#: Of so few points each was measured by itself: none is cut.
_FEW = 200
#: No converter's response goes deeper than this above its noise.
_DEEPEST_RESPONSE_DB = 180.0
#: The least that a y axis in dB spans, where both ways matter and where one does.
_MIN_SPAN = {"both": 1.0, "max": 20.0, "min": 20.0}
_LARGEST = 1e15


class Frame(NamedTuple):
    """The ends of both axes; ``x_low < x_high`` and ``y_low < y_high``."""

    x_low: float
    x_high: float
    y_low: float
    y_high: float


def frame_of(figure: Figure) -> Frame:
    """Return where the axes begin and end."""
    return Frame(*_x_ends(figure), *_y_ends(figure))


def _x_ends(figure: Figure) -> tuple[float, float]:
    curves = [shown(figure, series).x for series in figure.series]
    x = np.concatenate([*curves, np.zeros(0)])
    low = figure.x.low if figure.x.low is not None else float(np.min(x, initial=np.inf))
    high = figure.x.high if figure.x.high is not None else float(np.max(x, initial=-np.inf))
    if not (np.isfinite(low) and np.isfinite(high)):
        return (20.0, 20000.0) if figure.x.log else (0.0, 1.0)
    if high > low and figure.x.log:
        more = min(1.02, (high / low) ** 0.01)
        return low / more, high * more
    if high > low:
        return _widened(low, high, 0.01)
    return (low / 2.0, high * 2.0) if figure.x.log else (low - 1.0, high + 1.0)


def _y_ends(figure: Figure) -> tuple[float, float]:
    if figure.y.low is not None and figure.y.high is not None:
        return figure.y.low, figure.y.high
    values = [np.clip(shown(figure, series).y, -_LARGEST, _LARGEST) for series in figure.series]
    y = np.concatenate([*values, np.zeros(0)])
    edges = [limit.y[np.isfinite(limit.y)] for limit in figure.limits]
    limits = np.clip(np.concatenate([*edges, np.zeros(0)]), -_LARGEST, _LARGEST)
    if not len(y) and not len(limits):
        return -1.0, 1.0
    low, high = _core(y, figure) if len(y) else (float(np.min(limits)), float(np.max(limits)))
    low, high = min(low, *limits, low), max(high, *limits, high)
    least = _MIN_SPAN[figure.hold] if figure.y.unit == "dB" else 1e-9 * max(abs(low), abs(high), 1e-9)
    if high - low < least:
        middle = 0.5 * (low + high)
        low, high = middle - 0.5 * least, middle + 0.5 * least
    low, high = _widened(low, high, 0.08)
    if figure.marks:
        # Room for the words of the marks.
        high += (0.12 if len(figure.marks) < 3 else 0.3) * (high - low)
    return _rounded(
        figure.y.low if figure.y.low is not None else low,
        figure.y.high if figure.y.high is not None else high,
    )


def _core(y: FloatArray, figure: Figure) -> tuple[float, float]:
    """Return the ends of the data, without dips that would flatten what matters."""
    low, high = float(np.min(y)), float(np.max(y))
    if figure.y.unit != "dB" or len(y) <= _FEW:
        return low, high
    if figure.hold == "max":
        return max(low, float(np.quantile(y, 0.1)) - _DEEPEST_DB), high
    if figure.hold == "min":
        return low, min(high, float(np.quantile(y, 0.9)) + _DEEPEST_DB)
    return max(low, high - _DEEPEST_RESPONSE_DB), high


def _widened(low: float, high: float, share: float) -> tuple[float, float]:
    more = share * (high - low)
    return low - more, high + more


def _rounded(low: float, high: float) -> tuple[float, float]:
    """Return the ends, moved out to round ones."""
    step = 10.0 ** np.floor(np.log10(max(high - low, 1e-12))) / 10.0
    return float(np.floor(low / step) * step), float(np.ceil(high / step) * step)
