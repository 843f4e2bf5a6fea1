"""Control charts of a station as its log grows."""

import json

import numpy as np
import pytest
from charted_runs import STATION, charted, steady, units
from sqlalchemy import text

from linecheck.errors import UsageError
from linecheck.gates.chart_signals import (
    CHART_ANSWER,
    CHART_SET,
    CHART_SIGNAL,
    answer_content,
    open_signals,
    signal_numbered,
)
from linecheck.limits.verdict import Verdict
from linecheck.line.charts import followed
from linecheck.line.events import Note
from linecheck.log import Log
from linecheck.statistics.charts import follow
from linecheck.statistics.charts.chart import Design
from linecheck.statistics.charts.stated import UNITS, PhaseOne, Plotted, golden, state_from
from linecheck.statistics.charts.trace import traced

SET = PhaseOne(steady(50).tolist(), list(range(1, 51)), "dB")
EWMA = Design("ewma", width=2.962)
CENTRE, SIGMA = 115.0, 0.2


def plotted(of=UNITS, nest=None, check="tone"):
    return Plotted(STATION, nest, "pellow-r3", of, check, "sinad", "left")


def state_chart(log, design=EWMA, **of):
    stated = state_from(SET, plotted(**of), design, "Q. Engineer", "first month")
    log.state(CHART_SET, stated.plotted.subject, stated.content())
    return stated


@pytest.fixture
def log(tmp_path):
    with Log(tmp_path / "log.sqlite") as opened:
        yield opened


def at_work(log, runs, *, locks=False):
    """Record runs one by one, as a station does; return what is told of each."""
    told = []
    for run in runs:
        log.append(run)
        told.append(followed(log, STATION, locks=locks))
    return told


def signals(log):
    return list(reversed(log.statements(CHART_SIGNAL)))


def states(log):
    with log.reading() as connection:
        rows = connection.execute(text("SELECT subject, content FROM chart_state")).all()
    return {subject: json.loads(content) for subject, content in rows}


def state(log):
    (found,) = states(log).values()
    return found


def test_a_shift_is_a_record_and_told_once(log):
    chart = state_chart(log)
    values = np.concatenate([steady(30, 2), steady(30, 3, centre=CENTRE - 0.4)])
    told = at_work(log, units(values))
    expected = traced(EWMA, chart.level, values, np.isfinite(values))
    assert [number for number, events in enumerate(told) if events] == sorted(expected.signals)
    (first, *_) = [event for events in told for event in events]
    (signal, *_) = signals(log)
    assert (first.record, first.says) == (signal.sequence, "the moving average is below its limit")
    assert signal.content["run"] == log.record(signal.content["record"]).run_id
    assert signal.content["value"] == values[min(expected.signals)]
    assert log.verify().intact


def test_a_unit_counts_once_by_its_first_judging_run(log):
    state_chart(log)
    again = charted(116.0, "PR3-000000")
    at_work(log, [charted(None, "PR3-000000", aborted=True), *units([115.0]), again])
    assert state(log)["running"]["count"] == 1
    assert state(log)["running"]["average"] == pytest.approx(0.0, abs=0.2)


def test_a_bound_and_what_was_not_measured_are_counted_and_not_plotted(log):
    state_chart(log)
    bound = charted(90.0, "PR3-000001", verdict=Verdict.PASS, is_bound=True)
    other = charted(115.0, "PR3-000002", check="other")
    at_work(log, [*units([115.0]), bound, other])
    found = state(log)
    assert (found["running"]["count"], found["bounds"], found["missing"]) == (1, 1, 1)
    assert not signals(log)


def test_a_failed_unit_is_on_the_chart(log):
    state_chart(log, Design("individuals"))
    (told,) = at_work(log, [charted(100.0, "PR3-000001")])
    assert [event.says for event in told] == ["a value is below its limit"]


def test_one_broken_unit_is_no_drift(log):
    state_chart(log)
    assert at_work(log, [charted(40.0, "PR3-000001"), *units([115.0], first=2)]) == [[], []]


def test_charts_of_golden_units_and_nests_are_their_own(log):
    state_chart(log, of=golden("PR3-900001"))
    state_chart(log, nest="a")
    runs = [
        charted(115.0, "PR3-900001", purpose="golden", nest="a"),
        charted(115.0, "PR3-900001", purpose="golden", nest="b"),
        charted(115.0, "PR3-900002", purpose="golden", nest="a"),
        charted(115.0, "PR3-000001", nest="a"),
        charted(115.0, "PR3-000002", nest="b"),
        charted(115.0, "PR3-000003", nest="a", station="line-2"),
    ]
    at_work(log, runs)
    counts = {subject: found["running"]["count"] for subject, found in states(log).items()}
    assert counts == {plotted(golden("PR3-900001")).subject: 2, plotted(nest="a").subject: 1}


def test_what_a_cut_off_program_left_is_on_the_chart_next_time(log):
    state_chart(log)
    for run in units(steady(5)):
        log.append(run)
    at_work(log, units([115.0], first=9))
    assert state(log)["running"]["count"] == 6


def test_a_chart_begins_anew_once_its_signal_is_answered(log):
    state_chart(log)
    at_work(log, units(steady(40, 2, centre=CENTRE - 0.6)), locks=True)
    with log.reading() as connection:
        (signal,) = open_signals(connection, STATION)
        assert open_signals(connection, "line") == ()
    assert signal.locks
    with pytest.raises(UsageError, match="no signal that waits"):
        signal_numbered((signal,), 1)
    log.state(
        CHART_ANSWER, signal.subject, answer_content(signal, "Q. Engineer", "new resistors, all in order")
    )
    with log.reading() as connection:
        assert open_signals(connection, STATION) == ()
    at_work(log, units([115.0], first=100))
    assert state(log)["running"]["count"] == 1


def test_a_chart_that_is_stated_anew_begins_there_and_ends_its_signal(log):
    state_chart(log)
    at_work(log, units(steady(40, 2, centre=CENTRE - 0.6)))
    state_chart(log)
    with log.reading() as connection:
        assert open_signals(connection, STATION) == ()
    at_work(log, units([115.0], first=100))
    assert state(log)["running"]["count"] == 1


def test_self_checks_have_their_own_chart(log):
    chart = Plotted(STATION, None, "", "self_check", "noise", "noise", "left")
    stated = state_from(SET, chart, Design("individuals"), "Q. Engineer", "first month")
    log.state(CHART_SET, chart.subject, stated.content())

    def checked(value, **measured):
        entry = {
            "what": "noise",
            "channel": "left",
            "value": value,
            "unit": "dB",
            "is_bound": False,
        } | measured
        log.state("self_check", STATION, {"steps": [{"name": "noise", "measured": [entry]}]})

    checked(115.0)
    checked(None)
    checked(200.0, is_bound=True)
    assert followed(log, STATION, locks=False) == []
    checked(120.0)
    (told,) = followed(log, STATION, locks=False)
    assert told.says == "a value is above its limit"
    found = state(log)
    assert (found["running"]["count"], found["bounds"], found["missing"]) == (2, 1, 1)


def test_a_changed_statement_is_told_and_stops_nothing(log, tmp_path):
    state_chart(log)
    with log._writer.connect() as connection, connection.begin():
        connection.execute(text("DROP TRIGGER statement_keeps_on_update"))
        connection.execute(text("UPDATE statement SET content = replace(content, '0.2', '9.2')"))
    (told,) = at_work(log, units([115.0]))
    assert isinstance(told[0], Note)
    assert "has been changed since it was stored" in told[0].text


@pytest.mark.parametrize(
    "changes",
    [
        {"sigma": 0.0},
        {"sigma": "wide"},
        {"centre": None},
        {"design": {}},
        {"design": EWMA.content() | {"kind": "pie"}},
        {"design": EWMA.content() | {"weight": -1.0}},
        {"design": EWMA.content() | {"rules": ["none"]}},
        {"records": 7},
    ],
)
def test_a_statement_of_no_chart_is_told_and_stops_nothing(log, changes):
    stated = state_from(SET, plotted(), EWMA, "Q. Engineer", "first month")
    log.state(CHART_SET, stated.plotted.subject, stated.content() | changes)
    (told,) = at_work(log, units([115.0]))
    assert "record 1 states no control chart that this version of linecheck knows" in told[0].text


def test_a_run_costs_no_scan_of_the_log(log):
    queries = {
        follow.NEW_RUNS: (0, STATION),
        follow.FIRST_JUDGED: ("PR3-000001", "pellow-r3"),
        follow.VALUE: (1, "tone", "sinad", "left"),
        follow.WORST: (1, "tone", "sinad", "left"),
        follow.NEW_SELF_CHECKS: ("self_check", STATION, 0),
    }
    with log.reading() as connection:
        plain = connection.connection.driver_connection
        plans = {
            query: [row[3] for row in plain.execute(f"EXPLAIN QUERY PLAN {query}", values)]
            for query, values in queries.items()
        }
    assert not [step for plan in plans.values() for step in plan if step.startswith("SCAN")]
    assert plans[follow.NEW_RUNS] == ["SEARCH run USING INTEGER PRIMARY KEY (rowid>?)"]


def test_sets_that_cannot_give_limits_are_refused():
    def refused(**changes):
        found = PhaseOne(**{"values": SET.values, "records": SET.records, "unit": "dB", **changes})
        with pytest.raises(UsageError) as error:
            state_from(found, plotted(), EWMA, "Q. Engineer", "a set")
        return str(error.value)

    assert "24 values in the phase-1 set, expected 25 to" in refused(values=SET.values[:24])
    assert "3 more have a bound only" in refused(bounds=3)
    assert "all alike" in refused(values=[115.0] * 50)
