"""A chart over values that are there already: what it shows at each, where it signals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linecheck.statistics.charts.chart import Design, Running, advance
from linecheck.statistics.charts.individuals import Level


@dataclass(frozen=True)
class Trace:
    """What a chart shows at each value, in standard deviations from the centre.

    ``high`` and ``low`` are the cumulative sums of both sides, ``low`` below zero; of other charts both are what is
    plotted. NaN where nothing is put on the chart. ``signals`` are words by the number of the value.
    """

    high: NDArray[np.float64]
    low: NDArray[np.float64]
    signals: dict[int, str]


def traced(
    design: Design,
    level: Level,
    values: NDArray[np.float64],
    measured: NDArray[np.bool_],
    restarts: Sequence[int] = (),
) -> Trace:
    """Return what a chart shows; it begins anew before each value that ``restarts`` numbers."""
    high, low = np.full(len(values), np.nan), np.full(len(values), np.nan)
    signals: dict[int, str] = {}
    running, anew = Running(), set(restarts)
    for number, (value, is_on) in enumerate(zip(values.tolist(), measured.tolist(), strict=True)):
        if number in anew:
            running = Running()
        if not is_on:
            continue
        running, says = advance(design, level, running, value)
        if design.kind == "cusum":
            high[number], low[number] = running.high, -running.low
        else:
            high[number] = low[number] = running.plotted(design.kind)
        if says:
            signals[number] = says
    return Trace(high, low, signals)
