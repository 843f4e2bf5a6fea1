"""A run among others as one page: each reading beside the units of several models and beside stated values."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from linecheck import __version__
from linecheck.files.text import visible
from linecheck.report.figures.counts import Range, ranges_svg
from linecheck.report.figures.words import metric_name
from linecheck.report.parts import Part
from linecheck.results.wording import number
from linecheck.run.model import Run
from linecheck.statistics.among import Place
from linecheck.statistics.words import of_model_text, of_stated_text


def among_page_of(run: Run, places: Sequence[Place], source: str) -> Part:
    """Return what the page of a run among others shows."""
    headline = f"{visible(run.serial)} among others"
    return {
        "title": headline,
        "running_head": f"{headline}, run {run.run_id[:8]}",
        "software": f"linecheck {__version__}",
        "headline": headline,
        "source": source,
        "model": visible(run.model),
        "places": tuple(_part(place, at) for at, place in enumerate(places)),
    }


def _part(place: Place, at: int) -> Part:
    channel = "" if place.channel is None else f", {visible(place.channel)}"
    title = f"{visible(place.check)}: {metric_name(place.metric)}{channel}"
    value = number(place.value, place.unit)
    ranges = list(_ranges(place))
    rows = [(visible(found.model), of_model_text(found, place)) for found in place.models]
    rows += [(visible(found.stated.name), of_stated_text(found, place)) for found in place.stated]
    return {
        "title": title,
        "value": value,
        "svg": ranges_svg(ranges, place.value, value, title, f"place-{at}") if ranges else "",
        "rows": tuple(rows),
    }


def _ranges(place: Place) -> Iterator[Range]:
    for found in place.models:
        if found.low is not None and found.median is not None and found.high is not None:
            yield Range(visible(found.model), found.low, found.median, found.high, not found.otherwise)
    for stated in place.stated:
        if stated.stated.unit == place.unit:
            value = stated.stated.value
            yield Range(visible(stated.stated.name), value, value, value, stated.difference is not None)
