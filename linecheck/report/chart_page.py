"""A control chart as one figure and one page, and the page of what has moved."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from linecheck import __version__
from linecheck.report.figures.data import Axis, Figure, Guide, Mark, Series
from linecheck.report.parts import Part, figure_part
from linecheck.statistics.charts.chart import Design
from linecheck.statistics.charts.individuals import Level
from linecheck.statistics.charts.trace import Trace

#: So many of the newest units are drawn: more are a band.
MOST_DRAWN: Final = 1_000
_MOST_MARKED: Final = 8
FloatArray = NDArray[np.float64]


def chart_figure(
    title: str, unit: str, design: Design, level: Level, values: FloatArray, trace: Trace, phase_one: int
) -> Figure:
    """Return a chart drawn over the number of its units, of which the first ``phase_one`` gave the limits.

    A gap is a unit of which there is a bound only, or nothing was measured.
    """
    first = max(0, len(values) - MOST_DRAWN)
    x = np.arange(first + 1, len(values) + 1, dtype=float)
    sums = design.kind == "cusum"
    centre, sigma = (0.0, 1.0) if sums else (level.centre, level.sigma)
    high, low = centre + sigma * trace.high[first:], centre + sigma * trace.low[first:]
    ends = np.array([first + 1.0, float(len(values))])
    limit = design.limit
    lines = [
        Series("limits", ends, np.full(2, centre + sigma * limit), is_reference=True, look=0),
        Series("lower limit", ends, np.full(2, centre - sigma * limit), is_reference=True, look=0),
        Series("target" if sums else "centre", ends, np.full(2, centre), is_reference=True, look=1),
    ]
    plotted = {"ewma": "moving average", "cusum": "sum above", "individuals": "value"}[design.kind]
    curves = [Series(plotted, x, high, style="points" if design.kind == "individuals" else "line", look=0)]
    if sums:
        curves.append(Series("sum below", x, low, look=1))
    elif design.kind == "ewma":
        curves.append(
            Series("value", x, np.where(np.isfinite(high), values[first:], np.nan), "points", look=1)
        )
    # Of two sums the one that signals is the larger.
    far = np.where(np.abs(high - centre) >= np.abs(low - centre), high, low)
    signals = [number for number in sorted(trace.signals) if number >= first][-_MOST_MARKED:]
    marks = [Mark(number + 1.0, float(far[number - first]), "signal") for number in signals]
    guides = (Guide(phase_one + 0.5, "phase 1 ends"),) if first < phase_one < len(values) else ()
    told = f"{len(trace.signals)} signals" if len(trace.signals) != 1 else "1 signal"
    return Figure(
        name="control-chart",
        title=title,
        alt=f"{title}: {plotted} of {len(values)} units in order of time, between its limits; {told}.",
        x=Axis("unit, in order of time", "", low=float(first), high=float(len(values) + 1)),
        y=Axis("standard deviations" if sums else "value", "" if sums else unit),
        series=(*lines, *curves),
        marks=tuple(marks),
        guides=guides,
        hold="both",
        caption="" if first == 0 else f"The newest {MOST_DRAWN} of {len(values)} units are drawn.",
    )


def chart_page_of(figure: Figure, facts: Sequence[tuple[str, str]], signals: Sequence[Sequence[str]]) -> Part:
    """Return what the page of a chart shows."""
    return {
        "title": figure.title,
        "running_head": figure.title,
        "software": f"linecheck {__version__}",
        "headline": figure.title,
        "facts": tuple(facts),
        "figures": (figure_part(figure, "chart"),),
        "signals": {"headings": ("time", "record", "unit", "value", "signal"), "rows": tuple(signals)},
    }


def drift_page_of(
    title: str, answer: str, facts: Sequence[tuple[str, str]], rows: Sequence[Sequence[str]]
) -> Part:
    """Return what the page of what has moved shows; ``rows`` are its hypotheses."""
    headings = ("what may have moved", "probability", "by", "± (k = 1)", "since (UTC)", "how")
    return {
        "title": title,
        "running_head": title,
        "software": f"linecheck {__version__}",
        "headline": title,
        "answer": answer,
        "facts": tuple(facts),
        "hypotheses": {"headings": headings, "rows": tuple(rows)},
    }
