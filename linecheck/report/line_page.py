"""A line at a glance as one page: yield, what to look at first, what fails, station by station."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from linecheck import __version__
from linecheck.files.text import visible
from linecheck.report.figures.counts import Bar, Point, Track, pareto_svg, shares_svg
from linecheck.report.figures.data import Axis, Figure, Series
from linecheck.report.parts import Part, figure_part
from linecheck.statistics.line import LineView, StationLine
from linecheck.statistics.moved import Moved
from linecheck.statistics.words import (
    cause_texts,
    interval_text,
    lines_of,
    moved_texts,
    share_text,
    standout_text,
)
from linecheck.statistics.yields import Row, Share, cumulated

#: Stations that are drawn; the table has them all.
MAX_DRAWN: Final = 8
#: Figures of what has moved.
MAX_TRENDS: Final = 2
#: What is worth a look first.
MAX_STANDOUTS: Final = 7


def line_page_of(view: LineView) -> Part:
    """Return what the page of a line shows."""
    found = view.yields
    first = found.first_pass
    told = f"{share_text(first)} first-pass" if first.among else "no unit was judged"
    # What waits for somebody, what costs units, what goes on, then what merely lies apart.
    costly = [f"{standout_text(each)}." for each in view.standouts if each.excess > 0.0]
    apart = [f"{standout_text(each)}." for each in view.standouts if each.excess <= 0.0]
    waiting = [
        f"{visible(each.words)}; it waits for an answer (record {each.sequence})." for each in view.signals
    ]
    said = [*waiting, *costly, *(f"{text}." for text in moved_texts(view.moved)), *apart]
    return {
        "title": f"Line: {told}",
        "running_head": f"Line, {found.since} to {found.until}",
        "software": f"linecheck {__version__}",
        "headline": f"Line: {told}",
        "span": f"{found.since} to {found.until}",
        "source": view.source,
        "counts": tuple(lines_of(found)),
        "first": tuple(said[:MAX_STANDOUTS]),
        "more": max(0, len(said) - MAX_STANDOUTS),
        "trends": tuple(figure_part(figure, figure.name) for figure in _trends(view.moved)),
        "shares": _shares(view.stations),
        "causes": _pareto(found.causes, cause_texts(), "Causes of units that failed first", "causes"),
        "metrics": _pareto(found.metrics, {}, "Metrics that failed first", "metrics"),
        "stations": {
            "headings": (
                "station",
                "units judged first",
                "first-pass",
                "at 95 %",
                "runs",
                "invalid or aborted",
            ),
            "rows": tuple(map(_station_cells, view.stations)),
        },
    }


def _trends(found: Sequence[Moved]) -> Iterator[Figure]:
    """Yield figures of what has moved: of each thing the metric that moved farthest."""
    farthest: dict[str, Moved] = {}
    for each in found:
        farthest.setdefault(each.what.words, each)
    for number, moved in enumerate(list(farthest.values())[:MAX_TRENDS], 1):
        trend = moved.trend
        names = sorted(trend.means, key=lambda name: name != trend.moved)[:MAX_DRAWN]
        told = np.concatenate([trend.means[name] for name in names])
        low, high = float(np.nanmin(told)), float(np.nanmax(told))
        margin = 0.1 * (high - low) or 1.0
        more = f" {len(names)} of {len(trend.means)} are drawn." if len(names) < len(trend.means) else ""
        title = f"{visible(moved.name.words)}: {visible(moved.what.words)} has moved"
        yield Figure(
            name=f"trend-{number}",
            title=title,
            alt=f"{title}, since {moved.since} UTC: means over time.",
            caption=f"Means over time.{more}",
            x=Axis(f"days since {trend.since} UTC", "d"),
            y=Axis("mean", moved.unit, low=low - margin, high=high + margin),
            series=tuple(
                Series(
                    visible(name), trend.days, trend.means[name], is_reference=trend.moved not in ("", name)
                )
                for name in names
            ),
        )


def _station_cells(station: StationLine) -> tuple[str, ...]:
    void = f"{station.void} ({100.0 * station.void / station.runs:.1f} %)" if station.runs else "–"
    first = station.first_pass
    told = (share_text(first), interval_text(first)) if first.among else ("–", "–")
    return (visible(station.name) or "not said", str(first.among), *told, str(station.runs), void)


def _shares(stations: Sequence[StationLine]) -> str:
    """Return the figure of first-pass yield by day; nothing of less than two days."""
    drawn = stations[:MAX_DRAWN]
    days = sorted({day.name for station in drawn for day in station.days})
    if len(days) < 2:
        return ""
    return shares_svg([_track(station, days) for station in drawn], days, "First-pass yield by day", "shares")


def _track(station: StationLine, days: Sequence[str]) -> Track:
    by_name = {day.name: day.first_pass for day in station.days}
    points = []
    for day in days:
        share = by_name.get(day)
        value = None if share is None else share.value
        points.append(
            None
            if share is None or value is None
            else Point(day, share.interval[0], value, share.interval[1])
        )
    told = f"{share_text(station.first_pass)} of {station.first_pass.among}"
    return Track(visible(station.name) or "not said", told, points)


def _point(day: str, share: Share | None) -> Point | None:
    if share is None or share.value is None:
        return None
    low, high = share.interval
    return Point(day, low, share.value, high)


def _pareto(rows: Sequence[Row], names: dict[str, str], title: str, prefix: str) -> str:
    bars = [
        Bar(names.get(row.name, visible(row.name)), row.units.found, so_far)
        for row, so_far in zip(rows, cumulated(rows), strict=True)
    ]
    return pareto_svg(bars, title, prefix) if bars else ""
