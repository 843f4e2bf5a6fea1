"""A control chart as one figure and one page, and the page of what has moved."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
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
_MOST_MARKED: Final = 3
#: Sums are drawn to so many times their limit.
_REACH: Final = 4.0
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
    limits = [
        Series(name, ends, np.full(2, centre + sigma * at), is_reference=True, look=look)
        for name, at, look in (("upper limit", limit, 0), ("lower limit", -limit, 0), ("centre", 0.0, 1))
    ]
    plotted = {"ewma": "moving average", "cusum": "sum above", "individuals": "value"}[design.kind]
    curves = [Series(plotted, x, high, style="points" if design.kind == "individuals" else "line", look=0)]
    if sums:
        curves.append(Series("sum below", x, low, look=1))
    elif design.kind == "ewma":
        on_it = np.where(np.isfinite(high), values[first:], np.nan)
        limits.insert(0, Series("value", x, on_it, "points", is_reference=True, look=2, is_thin=True))
    # Of two sums the one that signals is the larger.
    far = np.where(np.abs(high - centre) >= np.abs(low - centre), high, low)
    signals = [number for number in sorted(trace.signals) if number >= max(first, phase_one)][:_MOST_MARKED]
    marks = [Mark(number + 1.0, float(far[number - first]), "signal") for number in signals]
    # A sum that nobody answers runs away: its limits are to be seen all the same.
    reach = _REACH * limit if sums and float(np.nanmax(np.abs(far), initial=0.0)) > _REACH * limit else None
    guides = (Guide(phase_one + 0.5, "phase 1 ends"),) if first < phase_one < len(values) else ()
    told = f"{len(trace.signals)} signals" if len(trace.signals) != 1 else "1 signal"
    return Figure(
        name="control-chart",
        title=title,
        alt=f"{title}: {plotted} of {len(values)} units in order of time, between its limits; {told}.",
        x=Axis("unit, in order of time", "", low=float(first), high=float(len(values) + 1)),
        y=Axis(
            "standard deviations" if sums else "value",
            "" if sums else unit,
            low=None if reach is None else -reach,
            high=reach,
        ),
        series=(*limits, *curves),
        marks=tuple(marks),
        guides=guides,
        hold="both",
        caption=" ".join(_captions(first, len(values), reach)),
    )


def _captions(first: int, count: int, reach: float | None) -> Iterator[str]:
    if first:
        yield f"The newest {count - first} of {count} units are drawn."
    if reach is not None:
        yield f"What lies beyond {reach:g} standard deviations is not drawn."


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
