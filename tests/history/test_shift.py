"""A shift counted from the log."""

import csv
import io
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from made_causes import made_causes, with_causes
from made_runs import made_check, made_reading, made_run

from linecheck.history.shift import ShiftRun, runs_of_shift, shift_since, summed
from linecheck.limits.verdict import Verdict
from linecheck.log import Log
from linecheck.report.render import shift_page
from linecheck.report.shift_page import shift_csv

BEGIN = datetime.now(UTC) - timedelta(hours=1)


def run_of(serial, verdict=Verdict.PASS, **facts):
    facts = {"station": "line-2", "released": verdict is Verdict.PASS or None, **facts}
    if verdict is Verdict.INVALID:
        return made_run(serial=serial, missing=("tone",), checks=(), **facts)
    value = {Verdict.PASS: 113.0, Verdict.MARGINAL: 110.0, Verdict.FAIL: 104.0}[verdict]
    return made_run(made_check(made_reading(verdict, value)), serial=serial, **facts)


@pytest.fixture
def log(tmp_path):
    with Log(tmp_path / "log.sqlite") as opened:
        yield opened


def test_a_unit_counts_once_by_the_first_run_that_judged_it(log):
    for run in (
        run_of("A"),
        run_of("B", Verdict.FAIL),
        run_of("B"),  # passes at the second attempt: no first pass
        run_of("C", Verdict.INVALID),
        run_of("C"),  # the first run judged nothing
        run_of("G", purpose="golden"),
    ):
        log.append(run)
    counted = summed(runs_of_shift(log, BEGIN))
    assert (counted.units, counted.runs, counted.first_judged, counted.first_passed) == (3, 5, 3, 2)
    assert counted.first_pass_yield == pytest.approx(2 / 3)
    assert counted.states == {"pass": 3, "fail": 1, "invalid": 1}
    assert [run.serial for run in counted.last] == ["C", "C", "B", "B", "A"]


def test_a_unit_that_was_judged_before_the_shift_is_a_retest(log):
    log.append(run_of("A", Verdict.FAIL))
    between = datetime.now(UTC)
    log.append(run_of("A"))
    log.append(run_of("B"))
    counted = summed(runs_of_shift(log, between))
    assert (counted.units, counted.first_judged, counted.first_passed) == (2, 1, 1)


def test_a_hold_is_no_release_and_passes_no_less(log):
    log.append(run_of("A", released=False))
    (run,) = runs_of_shift(log, BEGIN)
    assert (run.state, run.passes, run.judges) == ("hold", True, True)


def test_runs_are_picked_by_shift_and_station_and_causes_are_counted(log):
    log.append(with_causes(run_of("A", Verdict.FAIL, shift="late", operator="A. Berg")))
    log.append(run_of("B", shift="early"))
    log.append(run_of("C", shift="late", station="line-3"))
    counted = summed(runs_of_shift(log, BEGIN, stations=["line-2"], shift="late"))
    assert (counted.units, counted.operators) == (1, {"A. Berg": 1})
    assert counted.causes == ((made_causes().first.text, 1),)


def test_a_named_shift_is_of_these_hours_and_a_day_begins_at_midnight_here():
    now = datetime.now(UTC)
    assert now - shift_since("late") < timedelta(hours=16, minutes=1)
    begins = shift_since("")
    assert (begins.hour, begins.minute) == (0, 0)
    assert timedelta(0) <= now - begins < timedelta(hours=25)


MADE = st.builds(
    lambda number, serial, state, after, first: ShiftRun(
        number, str(number), serial, "m", 1, state, "s", "", "", BEGIN + timedelta(seconds=after), "", first
    ),
    st.integers(1, 99),
    st.sampled_from("ABC"),
    st.sampled_from(["pass", "marginal", "fail", "hold", "invalid", "aborted"]),
    st.integers(0, 3000),
    st.booleans(),
)


@given(st.lists(MADE, max_size=20))
def test_counts_add_up_whatever_the_runs_are(runs):
    counted = summed(runs)
    assert sum(counted.states.values()) == counted.runs == len(runs)
    assert counted.units == len({run.serial for run in runs}) == sum(counted.operators.values())
    assert counted.first_passed <= counted.first_judged <= counted.runs
    assert counted.first_pass_yield is None or 0.0 <= counted.first_pass_yield <= 1.0
    assert counted.takt_median is None or 0.0 < counted.takt_median <= 900.0


def test_a_table_has_every_run_and_no_cell_that_is_a_formula(log):
    log.append(run_of("A", operator="=HYPERLINK(1)"))
    (run,) = runs_of_shift(log, BEGIN)
    ((head, row),) = [list(csv.reader(io.StringIO(shift_csv([run]))))]
    assert dict(zip(head, row, strict=True))["operator"] == "'=HYPERLINK(1)"
    assert row[0] == "1"


def test_the_page_shows_nothing_hidden_and_escapes_what_it_shows(log):
    log.append(run_of("A", operator="<script>\u202e"))
    runs = runs_of_shift(log, BEGIN)
    page = shift_page(summed([replace(run) for run in runs]), "line-2", "", BEGIN, datetime.now(UTC))
    assert "<script>" not in page
    assert "\u202e" not in page
    assert "&lt;script&gt;" in page


def test_no_cause_is_told_that_does_not_stand_out_and_none_of_a_run_that_was_stopped(log):
    likely, vague = made_causes(), made_causes()
    vague = replace(vague, ranked=(replace(vague.first, probability=0.17),))
    log.append(run_of("A", causes=likely.as_fact()))
    log.append(run_of("B", causes=vague.as_fact()))
    log.append(run_of("C", causes=likely.as_fact(), aborted=True, missing=("tone",), checks=()))
    told = [run.cause for run in runs_of_shift(log, BEGIN)]
    assert told == [likely.first.text, "", ""]
