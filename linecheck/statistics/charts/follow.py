"""Charts of a station kept up with its log: only what is new is read, whatever the log's length.

How far each chart has come stands in the table ``chart_state``, which is written in the transaction that states a
signal. It is no record: without it a chart begins anew at its phase-1 set's statement. Charts go by the order of the
log, which is that in which runs were recorded, whichever nest they came from. A unit counts once, by its first run that
judged it. A bound is no measured value: it is counted, and not put on the chart; neither is what was not measured.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

from sqlalchemy import Connection, select
from sqlalchemy.dialects.sqlite import insert

from linecheck.files.text import encodable
from linecheck.gates import log_queries
from linecheck.gates.chart_signals import CHART_ANSWER, CHART_SET, prefix_of
from linecheck.gates.statements import SELF_CHECK, recorded_mappings
from linecheck.log.schema import chart_state
from linecheck.statistics.charts.chart import Running, advance, read_running
from linecheck.statistics.charts.stated import SELF_CHECKS, UNITS, Plotted, Stated, read_stated

NEW_RUNS: Final = (
    "SELECT sequence, run_id, serial, model, verdict, coalesce(purpose, 'unit'), nest FROM run "
    "WHERE sequence > ? AND station = ? AND +verdict IN ('pass', 'marginal', 'fail') ORDER BY sequence"
)
FIRST_JUDGED: Final = (
    "SELECT min(sequence) FROM run WHERE serial = ? AND model = ? AND verdict IN ('pass', 'marginal', 'fail') "
    "AND coalesce(purpose, 'unit') = 'unit'"
)
VALUE: Final = (
    "SELECT r.value, r.is_bound, r.verdict FROM run_check AS c JOIN reading AS r "
    "ON r.sequence = c.sequence AND r.check_position = c.position "
    "WHERE c.sequence = ? AND c.name = ? AND r.metric = ? AND r.channel IS ?"
)
WORST: Final = VALUE.replace("r.value, r.is_bound", "r.worst_y, 0").replace(
    "JOIN reading", "JOIN packed_curve"
)
NEW_SELF_CHECKS: Final = (
    "SELECT sequence, content FROM statement WHERE kind = ? AND subject = ? AND sequence > ? "
    "ORDER BY sequence"
)
LAST: Final = (
    "SELECT coalesce(max(sequence), 0) FROM (SELECT max(sequence) AS sequence FROM run "
    "UNION ALL SELECT max(sequence) FROM statement)"
)


@dataclass
class _State:
    """How far a chart has come: ``since`` is the statement by which it began."""

    since: int
    through: int
    running: Running = field(default_factory=Running)
    bounds: int = 0
    missing: int = 0


class _Run(NamedTuple):
    sequence: int
    run_id: str
    serial: str
    model: str
    verdict: str
    purpose: str
    nest: str | None


def follow(connection: Connection, station: str, *, locks: bool) -> list[tuple[str, dict[str, Any]]]:
    """Put what is new in the log on the charts of a station; return subject and content of each signal.

    Parameters
    ----------
    connection : Connection
        In a transaction that may write.
    station : str
    locks : bool
        Whether the station is to be locked by a signal.

    Raises
    ------
    RecordError
        A statement of a chart was changed, or is none that this version knows.
    """
    prefix = prefix_of(station)
    charts = [read_stated(each) for each in log_queries.newest_of_each(connection, CHART_SET, prefix)]
    if not charts:
        return []
    answers = {
        each.subject: each.sequence for each in log_queries.newest_of_each(connection, CHART_ANSWER, prefix)
    }
    states = {chart: _state(connection, chart, answers) for chart in charts}
    found = list(_told_by_runs(connection, station, states))
    found += _told_by_self_checks(connection, station, states)
    last = _rows(connection, LAST)[0][0]
    for chart, state in states.items():
        _keep(connection, chart, state, last)
    return [
        (chart.plotted.subject, _content(chart, states[chart], told) | {"locks": locks})
        for chart, told in found
    ]


def _told_by_runs(
    connection: Connection, station: str, states: Mapping[Stated, _State]
) -> Iterator[tuple[Stated, dict[str, Any]]]:
    charts = [chart for chart in states if chart.plotted.of != SELF_CHECKS]
    if not charts:
        return
    after = min(states[chart].through for chart in charts)
    for row in _rows(connection, NEW_RUNS, after, encodable(station)):
        run = _Run(*row)
        wanted = [chart for chart in charts if run.sequence > states[chart].through and _is_on(chart, run)]
        if not wanted or (run.purpose == "unit" and not _is_first(connection, run)):
            continue
        for chart in wanted:
            plotted = chart.plotted
            names = (run.sequence, *map(encodable, (plotted.check, plotted.metric)), plotted.channel)
            rows = _rows(connection, VALUE, *names) or _rows(connection, WORST, *names)
            value, is_bound, verdict = rows[0] if rows else (None, 0, None)
            says = _put(chart, states[chart], None if verdict == "invalid" else value, bool(is_bound))
            if says:
                yield chart, {"says": says, "value": value, "record": run.sequence, "run": run.run_id}


def _told_by_self_checks(
    connection: Connection, station: str, states: Mapping[Stated, _State]
) -> Iterator[tuple[Stated, dict[str, Any]]]:
    charts = [chart for chart in states if chart.plotted.of == SELF_CHECKS]
    if not charts:
        return
    after = min(states[chart].through for chart in charts)
    for sequence, text in _rows(connection, NEW_SELF_CHECKS, SELF_CHECK, encodable(station), after):
        content = json.loads(text)
        for chart in charts:
            if sequence <= states[chart].through:
                continue
            value, is_bound = self_check_value(content, chart.plotted)
            says = _put(chart, states[chart], value, is_bound)
            if says:
                yield chart, {"says": says, "value": value, "record": sequence}


def self_check_value(content: Mapping[str, Any], plotted: Plotted) -> tuple[float | None, bool]:
    """Return what a self-check measured of what a chart shows, and whether that is a bound."""
    for step in recorded_mappings(content.get("steps")):
        for entry in recorded_mappings(step.get("measured")) if step.get("name") == plotted.check else ():
            if (entry.get("what"), entry.get("channel")) == (plotted.metric, plotted.channel):
                value = entry.get("value")
                if isinstance(value, int | float) and not isinstance(value, bool):
                    return float(value), entry.get("is_bound") is True
    return None, False


def _is_on(chart: Stated, run: _Run) -> bool:
    plotted = chart.plotted
    if run.model != encodable(plotted.model) or (plotted.nest is not None and run.nest != plotted.nest):
        return False
    if plotted.of == UNITS:
        return run.purpose == "unit"
    return run.purpose == "golden" and run.serial == plotted.golden


def _is_first(connection: Connection, run: _Run) -> bool:
    return bool(_rows(connection, FIRST_JUDGED, run.serial, run.model)[0][0] == run.sequence)


def _put(chart: Stated, state: _State, value: float | None, is_bound: bool) -> str:
    """Put one value on a chart; return what it signals, empty where it does not."""
    if value is None or is_bound:
        state.bounds += value is not None
        state.missing += value is None
        return ""
    state.running, says = advance(chart.design, chart.level, state.running, value)
    return says


def _content(chart: Stated, state: _State, told: Mapping[str, Any]) -> dict[str, Any]:
    plotted = chart.plotted
    return {
        "station": plotted.station,
        "nest": plotted.nest,
        "chart": plotted.words,
        "chart_set": chart.sequence,
        "count": state.running.count,
        "bounds": state.bounds,
        "missing": state.missing,
        "unit": chart.unit,
        **told,
    }


def _state(connection: Connection, chart: Stated, answers: Mapping[str, int]) -> _State:
    """Return how far a chart has come; it begins anew where it is stated anew, or a signal was answered."""
    subject = chart.plotted.subject
    query = select(chart_state.c.through, chart_state.c.content).where(chart_state.c.subject == subject)
    row = connection.execute(query).one_or_none()
    since = max(chart.sequence, answers.get(subject, 0))
    if row is None:
        return _State(since, since)
    kept = json.loads(row.content)
    if kept["since"] != since:
        return _State(since, max(chart.sequence, row.through))
    return _State(since, row.through, read_running(kept["running"]), kept["bounds"], kept["missing"])


def _keep(connection: Connection, chart: Stated, state: _State, through: int) -> None:
    content = {
        "since": state.since,
        "running": state.running.content(),
        "bounds": state.bounds,
        "missing": state.missing,
    }
    values = {"through": through, "content": json.dumps(content)}
    query = insert(chart_state).values(subject=chart.plotted.subject, **values)
    connection.execute(query.on_conflict_do_update(index_elements=["subject"], set_=values))


def _rows(connection: Connection, query: str, *values: Any) -> Sequence[Any]:  # noqa: ANN401 - what SQLite takes
    plain = connection.connection.driver_connection
    return [] if plain is None else plain.execute(query, values).fetchall()
