"""A line at a glance as one page: yield, what to look at first, what fails, station by station."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from linecheck import __version__
from linecheck.files.text import visible
from linecheck.report.figures.counts import Bar, Point, Track, pareto_svg, shares_svg
from linecheck.report.parts import Part
from linecheck.statistics.line import LineView, StationLine
from linecheck.statistics.words import cause_texts, interval_text, lines_of, share_text, standout_text
from linecheck.statistics.yields import Row, Share, cumulated

#: Stations that are drawn; the table has them all.
MAX_DRAWN: Final = 8
#: What is worth a look first.
MAX_STANDOUTS: Final = 7


def line_page_of(view: LineView, looked_at: Sequence[str] = ()) -> Part:
    """Return what the page of a line shows; ``looked_at`` are further sentences on what to look at first."""
    found = view.yields
    first = found.first_pass
    told = f"{share_text(first)} first-pass" if first.among else "no unit was judged"
    said = [f"{standout_text(each)}." for each in view.standouts[:MAX_STANDOUTS]]
    return {
        "title": f"Line: {told}",
        "running_head": f"Line, {found.since} to {found.until}",
        "software": f"linecheck {__version__}",
        "headline": f"Line: {told}",
        "span": f"{found.since} to {found.until}",
        "source": view.source,
        "counts": tuple(lines_of(found)),
        "first": (*looked_at, *said),
        "more": max(0, len(view.standouts) - MAX_STANDOUTS),
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
