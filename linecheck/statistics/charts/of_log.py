"""Charts that a station's log states, and those of its self-checks: what columns of runs do not have."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime

import numpy as np

from linecheck.errors import UsageError
from linecheck.gates.chart_signals import CHART_ANSWER, CHART_SET
from linecheck.gates.statements import SELF_CHECK, read_time, recorded_mappings
from linecheck.log import LogReader
from linecheck.statistics.charts.follow import self_check_value
from linecheck.statistics.charts.stated import Plotted, Stated, read_stated
from linecheck.statistics.series import MetricName, Series


def stated_charts(log: LogReader) -> tuple[Stated, ...]:
    """Return the charts of a log as they were stated last, the newest first."""
    newest: dict[str, Stated] = {}
    for statement in log.statements(CHART_SET):
        if statement.subject not in newest:
            newest[statement.subject] = read_stated(statement)
    return tuple(newest.values())


def restarts_of(log: LogReader, stated: Stated) -> list[datetime]:
    """Return when a chart began anew: when it was stated, and when each of its signals was answered."""
    answers = log.statements(CHART_ANSWER, subject=stated.plotted.subject)
    texts = [stated.recorded, *(each.recorded for each in answers if each.sequence > stated.sequence)]
    return sorted(time for text in texts if (time := read_time(text)) is not None)


def self_check_series(log: LogReader, station: str | None, name: MetricName) -> tuple[Series, str]:
    """Return what self-checks of a station measured, in order, and the station.

    Raises
    ------
    UsageError
        None measured that, or those of several stations are in the log.
    """
    statements = list(reversed(log.statements(SELF_CHECK, subject=station)))
    stations = sorted({each.subject for each in statements})
    if len(stations) > 1:
        raise UsageError(
            f"self-checks of several stations: {', '.join(stations)}; pick one with --at-station"
        )
    plotted = Plotted(stations[0] if stations else "", None, "", "", name.check, name.metric, name.channel)
    found = [self_check_value(each.content, plotted) for each in statements]
    if all(value is None for value, _ in found):
        known = sorted({told for each in statements[-3:] for told in _measured(each.content)})
        raise UsageError(
            f"no self-check measured {name.words}; the newest measured {', '.join(known) or 'nothing'}"
        )
    nothing = np.full(len(found), "")
    series = Series(
        name=name,
        unit=next((unit for each in statements if (unit := _unit(each.content, plotted))), ""),
        value=np.array([np.nan if value is None else value for value, _ in found]),
        is_bound=np.array([is_bound for _, is_bound in found]),
        log=np.zeros(len(found), dtype=int),
        record=np.array([each.sequence for each in statements]),
        moment=np.array([np.datetime64(each.recorded.rstrip("Z")) for each in statements]),
        serial=nothing,
        model=nothing,
        purpose=nothing,
        station=np.full(len(found), plotted.station),
        nest=nothing,
        lot=nothing,
        backdated=0,
    )
    return series, plotted.station


def _entries(content: object, step: str | None = None) -> Iterator[tuple[str, dict[str, object]]]:
    steps = content.get("steps") if isinstance(content, dict) else None
    for each in recorded_mappings(steps):
        if step in (None, each.get("name")):
            yield from (
                (str(each.get("name")), dict(entry)) for entry in recorded_mappings(each.get("measured"))
            )


def _measured(content: object) -> Sequence[str]:
    return [f"{step}.{entry.get('what')}" for step, entry in _entries(content)]


def _unit(content: object, plotted: Plotted) -> str:
    wanted = (plotted.metric, plotted.channel)
    entries = _entries(content, plotted.check)
    return next(
        (
            str(entry.get("unit"))
            for _, entry in entries
            if (entry.get("what"), entry.get("channel")) == wanted
        ),
        "",
    )
