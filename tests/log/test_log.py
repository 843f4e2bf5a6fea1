import datetime
import sqlite3
import threading
import uuid
from contextlib import closing
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_runs import LIMITS, large_run, made_check, made_curve, made_reading, made_run, runs_of_every_verdict

from linecheck.checks.base import Problem
from linecheck.errors import RecordError
from linecheck.limits.verdict import Verdict
from linecheck.log import Head, Log, LogReader, RunFilter

FINITE = st.none() | st.floats(allow_nan=False, allow_infinity=False)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "results" / "log.sqlite"


@pytest.fixture
def log(path):
    with Log(path) as opened:
        yield opened


def query(path, sql, *values):
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(sql, values).fetchall()


def assert_same(stored, outcome):
    """Hold what the log gives back against what went in."""
    assert len(stored) == len(outcome)
    for got, given_ in zip(stored, outcome, strict=True):
        assert replace(got, judged=None) == replace(given_, judged=None)
        assert got.judged.readings == given_.judged.readings
        assert got.judged.problems == given_.judged.problems
        assert len(got.judged.curves) == len(given_.judged.curves)
        for curve, other in zip(got.judged.curves, given_.judged.curves, strict=True):
            assert replace(curve, curve=None) == replace(other, curve=None)
            for part in ("x", "y", "uncertainty"):
                ours, theirs = getattr(curve.curve, part), getattr(other.curve, part)
                assert (ours is None) == (theirs is None)
                assert ours is None or np.array_equal(ours, theirs)


def test_the_first_run_is_record_one_attempt_one(log):
    stored = log.append(made_run())
    assert (stored.sequence, stored.attempt) == (1, 1)
    assert log.head() == Head(1, stored.record_hash)
    assert log.verify().intact


def test_an_empty_log_has_a_head_and_verifies(log):
    assert log.head() == Head(0, "0" * 64)
    assert log.verify(log.head()).intact


@pytest.mark.parametrize("verdict", list(Verdict))
def test_a_run_of_every_verdict_is_recorded_and_comes_back(log, verdict):
    run = runs_of_every_verdict()[verdict]
    log.append(run)
    (record,) = log.show(run.serial)
    assert record.verdict is verdict
    assert record.started == datetime.datetime(2026, 11, 20, 8, 15, tzinfo=datetime.UTC)
    assert (record.operator, record.firmware) == ("A. Operator", "1.4.2")
    assert record.missing == run.missing
    assert record.problems == run.problems
    assert_same(record.checks, run.checks)
    assert log.verify().intact


@pytest.fixture(scope="module")
def shared(tmp_path_factory):
    with Log(tmp_path_factory.mktemp("shared") / "log.sqlite") as opened:
        yield opened


@given(
    values=st.lists(st.tuples(FINITE, FINITE, st.text(), st.none() | st.text()), max_size=5),
    points=st.lists(st.floats(allow_nan=False, allow_infinity=False), max_size=5),
    texts=st.lists(st.text(), min_size=4, max_size=4),
)
@settings(max_examples=20)
def test_whatever_is_measured_comes_back_bit_for_bit(shared, values, points, texts):
    readings = []
    for value, other, unit, channel in values:
        item = made_reading(None if value is not None else Verdict.INVALID, value, unit=unit, channel=channel)
        readings.append(replace(item, limit=other, reading=replace(item.reading, uncertainty=other)))
    curve = made_curve(None, len(points), uncertainty=np.array(points))
    curve = replace(curve, curve=replace(curve.curve, y=np.array(points)))
    explained = Problem("reason", texts[0], blocks=False, metrics=("sinad", "spectrum"))
    check = made_check(*readings, curve, name=texts[1] or "x", problems=(explained,))
    run = made_run(check, operator=texts[2], firmware=texts[3], serial=str(uuid.uuid4()))
    shared.append(run)
    (record,) = shared.show(run.serial)
    got, put = record.checks[0].judged, check.judged
    assert got.readings == put.readings
    assert got.curves[0].curve.y.tobytes() == np.array(points).tobytes()
    assert got.problems == put.problems
    assert (record.operator, record.firmware) == (texts[2], texts[3])


def test_all_that_was_recorded_verifies(shared):
    assert shared.append(made_run()).sequence == shared.verify().records


def test_attempts_of_a_unit_are_added_never_replaced(log):
    first, other, second = made_run(), made_run(serial="PR3-000001"), made_run(aborted=True)
    assert [log.append(run).attempt for run in (first, other, second)] == [1, 1, 2]
    assert log.append(made_run(model="pellow-r4")).attempt == 1
    assert log.attempts("pellow-r3", "PR3-004711") == 2
    assert log.attempts("pellow-r3", "PR3-999999") == 0
    shown = list(log.show("PR3-004711", "pellow-r3"))
    assert [(record.logged.attempt, record.verdict) for record in shown] == [(2, "aborted"), (1, "pass")]
    assert [record.model for record in log.show("PR3-004711")] == ["pellow-r4", "pellow-r3", "pellow-r3"]


def test_a_run_is_recorded_once(log):
    run = made_run()
    log.append(run)
    with pytest.raises(RecordError, match="is recorded already, as 1"):
        log.append(run)
    assert log.head().sequence == 1


def test_a_verdict_on_nothing_measured_is_not_recorded(log):
    with pytest.raises(RecordError, match="nothing was measured"):
        log.append(made_run(made_check(made_reading(Verdict.PASS, float("nan")))))
    assert log.head().sequence == 0


def test_what_is_not_finite_is_stored_as_missing_and_invalid(log, path):
    log.append(made_run(made_check(made_reading(Verdict.INVALID, float("inf")))))
    assert query(path, "SELECT value, verdict FROM reading") == [(None, "invalid")]
    assert query(path, "SELECT count(*) FROM problem WHERE code = 'not_measured'") == [(1,)]


@pytest.mark.parametrize(
    "sql",
    [
        "UPDATE run SET verdict = 'pass'",
        "DELETE FROM run",
        "UPDATE reading SET value = 1.0",
        "DELETE FROM problem",
        "UPDATE packed_curve SET worst_y = 0.0",
        "UPDATE limits SET content = ''",
    ],
)
def test_the_database_refuses_to_change_what_is_recorded(log, path, sql):
    log.append(runs_of_every_verdict()[Verdict.INVALID])
    log.append(made_run())
    with pytest.raises(sqlite3.IntegrityError, match="never changed or removed"):
        query(path, sql)


@pytest.mark.parametrize(
    ("value", "verdict"),
    [("NULL", "'pass'"), ("NULL", "'fail'"), ("9e999", "'fail'"), ("'loud'", "'fail'"), ("1.0", "'good'")],
)
def test_the_database_refuses_a_verdict_without_a_value(log, path, value, verdict):
    log.append(made_run())
    with pytest.raises(sqlite3.IntegrityError):
        query(
            path,
            "INSERT INTO reading (sequence, check_position, position, metric, unit, value, verdict) "
            f"VALUES (1, 0, 9, 'sinad', 'dB', {value}, {verdict})",
        )


def test_runs_are_listed_newest_first_by_page_and_filter(log):
    runs = list(runs_of_every_verdict().values())
    for at, run in enumerate(runs):
        log.append(replace(run, serial=f"PR3-{at:06d}", model=f"pellow-r{at % 2}"))
    assert [run.logged.sequence for run in log.runs()] == [5, 4, 3, 2, 1]
    first = log.runs(limit=2)
    assert [run.logged.sequence for run in first] == [5, 4]
    assert [run.logged.sequence for run in log.runs(limit=2, before=first[-1].logged.sequence)] == [3, 2]
    assert [run.logged.sequence for run in log.runs(RunFilter(model="pellow-r1"))] == [4, 2]
    assert [run.verdict for run in log.runs(RunFilter(verdicts=(Verdict.FAIL,)))] == [Verdict.FAIL]
    assert [run.logged.sequence for run in log.runs(RunFilter(serial="PR3-000002"))] == [3]
    assert log.runs(RunFilter(serial="' OR 1=1 --")) == ()


def test_order_is_by_number_where_the_clock_was_set_back(log):
    log.append(made_run())
    early = made_run()
    log.append(
        replace(early, started=early.started.replace(year=2020), finished=early.finished.replace(year=2020))
    )
    assert [run.started.year for run in log.runs()] == [2020, 2026]
    assert log.verify().intact


def test_finding_a_unit_uses_an_index(log, path):
    log.append(made_run())
    for sql in (
        "SELECT sequence FROM run WHERE serial = 'x'",
        "SELECT count(*) FROM run WHERE serial = 'x' AND model = 'y'",
        "SELECT sequence FROM run WHERE run_id = 'x'",
    ):
        plan = query(path, f"EXPLAIN QUERY PLAN {sql}")
        assert "USING" in plan[0][3], plan
        assert "SEARCH" in plan[0][3], plan


def test_the_log_tells_what_it_was_judged_by_without_the_limit_file(log, path):
    log.append(made_run())
    log.append(made_run())
    ((content,),) = query(path, "SELECT content FROM limits")
    assert '"sinad":{"fail":{"max":null,"min":108.0},"pass":{"max":null,"min":112.0}}' in content
    changed = replace(LIMITS, revision=2, sha256="cd" * 32)
    log.append(made_run(limits=changed))
    assert query(path, "SELECT count(*) FROM limits") == [(2,)]


def test_the_database_is_durable_by_its_settings(log, path):
    log.append(made_run())
    assert query(path, "PRAGMA journal_mode") == [("wal",)]
    assert query(path, "PRAGMA integrity_check") == [("ok",)]
    assert {
        row[0]
        for row in query(
            path, "SELECT strict FROM pragma_table_list WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
        )
    } == {1}


def test_what_is_recorded_is_there_for_another_reader_at_once(log, path):
    log.append(made_run())
    with LogReader(path) as reader:
        assert reader.head().sequence == 1
        log.append(made_run())
        assert reader.head().sequence == 2


def test_a_log_is_named_by_path_or_url(path):
    with Log(f"sqlite:///{path}") as log:
        log.append(made_run())
    with LogReader(str(path)) as reader:
        assert reader.verify().records == 1


def test_three_writers_at_once_lose_nothing(path):
    with Log(path):
        pass
    stored = []

    def write(serial):
        with Log(path, busy_seconds=60) as log:
            for _ in range(5):
                stored.append(log.append(made_run(serial=serial)))

    threads = [threading.Thread(target=write, args=(f"PR3-{at % 2}",)) for at in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(run.sequence for run in stored) == list(range(1, 16))
    with LogReader(path) as reader:
        assert reader.verify().records == 15
        assert reader.verify().intact
        for serial, count in (("PR3-0", 10), ("PR3-1", 5)):
            attempts = [record.logged.attempt for record in reader.show(serial)]
            assert attempts == list(range(count, 0, -1))


def test_a_large_run_comes_back(log):
    run = large_run()
    log.append(run)
    (record,) = log.show(run.serial)
    assert_same(record.checks, run.checks)
