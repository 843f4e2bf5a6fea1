"""Thinning: stated first, only old released passes, told from tampering, here and at the server."""

import sqlite3
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import psycopg
import pytest
from made_runs import made_check, made_curve, made_reading, made_run
from sent_logs import sent

from linecheck.limits.verdict import Verdict
from linecheck.log import Log, LogReader
from linecheck.log.sync.server import connected
from linecheck.log.sync.stored import at_server, check_chain
from linecheck.log.sync.target import Target
from linecheck.log.sync.write import thin_records
from linecheck.log.thinning import CURVES_THINNED, Rule, rules_from, rules_of

AHEAD = datetime.now(UTC) + timedelta(days=1)
EVERY = 4


def passed(**changes):
    right = made_curve()
    return made_run(made_check(made_reading(), made_curve(), right), **changes)


@pytest.fixture
def path(tmp_path):
    """A log of passes, a fail, a golden unit and a pass that released nothing."""
    path = tmp_path / "log.sqlite"
    with Log(path) as log:
        for at in range(5):
            log.append(passed(serial=f"PR3-00000{at}"))
        log.append(made_run(made_check(made_reading(Verdict.FAIL), made_curve()), serial="PR3-000006"))
        log.append(passed(serial="PR3-900001", purpose="golden"))
        log.append(passed(serial="PR3-000008", released=False))
    return path


def thinned(path):
    with Log(path) as log:
        found = log.thinnable(AHEAD, EVERY)
        return found, log.thin(found, "bench")


def whole(path):
    with closing(sqlite3.connect(path)) as log:
        return [number for (number,) in log.execute("SELECT sequence FROM curve_points ORDER BY 1")]


def unguarded(path, *statements):
    with closing(sqlite3.connect(path)) as log, log:
        for (name,) in log.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            log.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            assert log.execute(statement).rowcount


def fault(path):
    with LogReader(path) as log:
        return log.verify().fault


def test_old_passes_lose_their_points_but_every_nth_and_the_log_verifies(path):
    found, removed = thinned(path)
    assert (found.records, removed) == (4, 4)
    assert whole(path) == [4, 6, 7, 8]
    with LogReader(path) as log:
        verified = log.verify()
        assert verified.intact, verified
        (said,) = log.statements(CURVES_THINNED)
        assert (said.content["through"], said.content["every"]) == (8, EVERY)
        run = log.record(1)
        (before,) = (item for item in log.record(4).checks[0].judged.curves[:1])
        assert run.record.curves_thinned
        assert not log.record(4).record.curves_thinned
        worst = run.checks[0].judged.curves[0]
        assert (len(worst.curve.x), len(worst.curve.y), worst.curve.uncertainty) == (0, 0, None)
        assert replace(worst, curve=before.curve) == before
        assert log.thinnable(AHEAD, EVERY) is None


def test_points_that_go_without_a_statement_are_missed(path):
    with (
        closing(sqlite3.connect(path)) as log,
        pytest.raises(sqlite3.IntegrityError, match="only removed once that is stated"),
    ):
        log.execute("DELETE FROM curve_points WHERE sequence = 1")
    unguarded(path, "DELETE FROM curve_points WHERE sequence = 1")
    assert fault(path) == (
        "record 1 has been changed since it was stored: the points of its curves are missing, and nobody stated that"
    )


@pytest.mark.parametrize("sequence", [4, 6, 7, 8])
def test_a_statement_covers_no_fail_no_golden_unit_no_hold_and_no_nth_record(path, sequence):
    thinned(path)
    with (
        closing(sqlite3.connect(path)) as log,
        pytest.raises(sqlite3.IntegrityError, match="only removed once that is stated"),
    ):
        log.execute("DELETE FROM curve_points WHERE sequence = ?", (sequence,))
    unguarded(path, f"DELETE FROM curve_points WHERE sequence = {sequence}")
    assert f"record {sequence} has been changed" in fault(path)


def test_what_was_recorded_after_the_statement_stays(path):
    thinned(path)
    with Log(path) as log:
        log.append(passed(serial="PR3-000010"))
    unguarded(path, "DELETE FROM curve_points WHERE sequence = 10")
    assert "record 10 has been changed" in fault(path)


def cut_off(*_):
    raise OSError("the power failed")


def test_a_thinning_that_was_cut_off_goes_on_by_the_same_statement(path, monkeypatch):
    with Log(path) as log:
        monkeypatch.setattr("linecheck.log.store.remove_points", cut_off)
        with pytest.raises(OSError, match="the power failed"):
            log.thin(log.thinnable(AHEAD, EVERY), "bench")
        assert log.verify().intact
    assert whole(path) == list(range(1, 9))
    monkeypatch.undo()
    thinned(path)
    assert whole(path) == [4, 6, 7, 8]
    with LogReader(path) as log:
        assert len(log.statements(CURVES_THINNED)) == 1
        assert log.verify().intact


def test_points_put_back_otherwise_are_found(path):
    thinned(path)
    other = "SELECT 1, CAST(content || x'00' AS BLOB) FROM curve_points WHERE sequence = 4"
    unguarded(path, f"INSERT INTO curve_points {other}")
    assert "record 1 has been changed" in fault(path)


def test_a_rule_that_keeps_nothing_is_none():
    row = {"verdict": "pass", "released": None, "purpose": None, "sequence": 3}
    assert Rule(3, 2).covers(row)
    assert not Rule(2, 2).covers(row)
    assert not Rule(3, 3).covers(row)
    for change in ({"verdict": "marginal"}, {"released": "false"}, {"purpose": "golden"}):
        assert not Rule(9, 2).covers(row | change)


def test_the_server_thins_what_the_log_states_and_refuses_all_else(path, postgres):
    with postgres.lent() as url:
        chain = sent(path, url).chain
        target = Target.parsed(url)
        with psycopg.connect(url) as raw, pytest.raises(psycopg.errors.IntegrityConstraintViolation):
            raw.execute("DELETE FROM linecheck.curve_points WHERE sequence = 1")
        thinned(path)
        sent(path, url)
        with connected(target) as connection:
            with connection.begin():
                assert (
                    thin_records(connection, chain, rules_of(connection, at_server(connection, chain))) == 4
                )
            assert check_chain(connection, chain).intact
        with psycopg.connect(url) as raw:
            left = raw.execute("SELECT sequence FROM linecheck.curve_points ORDER BY 1").fetchall()
            assert [number for (number,) in left] == [4, 6, 7, 8]
            with pytest.raises(psycopg.errors.IntegrityConstraintViolation):
                raw.execute("DELETE FROM linecheck.curve_points WHERE sequence = 4")


def test_a_log_that_was_thinned_before_it_was_sent_is_sent_and_verifies_there(path, postgres):
    thinned(path)
    with postgres.lent() as url:
        chain = sent(path, url).chain
        with connected(Target.parsed(url)) as connection:
            assert check_chain(connection, chain).intact


@pytest.mark.parametrize(
    "content", ['{"through": Infinity, "every": 2}', "[" * 100_000, "7", '{"through": 1, "every": 1}']
)
def test_a_statement_that_says_nothing_of_the_kind_makes_no_rule(content):
    assert rules_from([content, '{"through": 7, "every": 4}']) == (Rule(7, 4),)
