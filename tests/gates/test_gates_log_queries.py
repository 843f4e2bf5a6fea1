"""Gates, lock and history as a log has them: found by indexes, from nothing but the log."""

import contextlib
import sqlite3
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_runs import LIMITS, made_check, made_curve, made_reading, made_run

from linecheck.checks.base import Problem
from linecheck.errors import RecordError
from linecheck.gates import log_queries
from linecheck.gates.gatekeeper import CODE, SOFTWARE, Gatekeeper
from linecheck.gates.gates import State
from linecheck.gates.statements import GATE, about, circumstances, read_result
from linecheck.limits.verdict import Verdict
from linecheck.log import Log, Statement
from linecheck.station.config.gates import ChallengeConfig, ChallengeUnit, GateConfig, GoldenConfig
from linecheck.station.config.loop import LoopConfig
from linecheck.station.config.station import Station, StationConfig

GOLDEN = "PR3-900001"
BAD = "PR3-900101"


def made_station(*, lock_after=3, outside="refuse", challenge=False, **config):
    bad = {"units": {"hum": ChallengeUnit(serial=BAD, must_fail=("tone.sinad",))}, "every_hours": 24.0}
    made = StationConfig(
        format=1,
        station="line-2-nest-a",
        interface="simulated",
        mains_hz=50,
        golden=GoldenConfig(serials=(GOLDEN,), every_hours=8.0),
        challenge=ChallengeConfig(**bad) if challenge else None,
        gate=GateConfig(outside=outside, lock_after=lock_after),
        **config,
    )
    return Station(made, "station.toml", "57" * 32)


@pytest.fixture
def log(tmp_path):
    with Log(tmp_path / "log.sqlite") as opened:
        yield opened


def met(log, station, met=True, gate="golden", serial=GOLDEN, **content):
    """State a result, as `linecheck station golden` does."""
    said = {
        "gate": gate,
        "met": met,
        "serial": serial,
        "reasons": [] if met else ["tone level left has moved"],
    }
    rests_on = circumstances(station, LIMITS, SOFTWARE)
    content = {**said, "circumstances": rests_on, **content}
    return log.state(GATE, about(station.config.station, gate, LIMITS.model, serial), content)


def dead(serial, **changes):
    """A unit whose left channel is all but silent."""
    low = made_reading(Verdict.FAIL, 12.0)
    return made_run(made_check(low, made_reading(channel="right"), made_curve()), serial=serial, **changes)


def test_a_gate_is_never_met_then_met_then_overdue(log):
    station = made_station()
    keeper = Gatekeeper(log, station, LIMITS)
    (state,) = keeper.standing().gates
    assert state.state is State.NEVER
    head = met(log, station)
    now = datetime.now(UTC)
    (state,) = keeper.standing(now).gates
    assert (state.state, state.record, state.about) == (State.MET, head.sequence, GOLDEN)
    assert keeper.standing(now + timedelta(hours=9)).gates[0].state is State.OVERDUE
    met(log, station, met=False)
    admission = keeper.admission("PR3-000001")
    assert (
        "PR3-000001 is not tested: golden PR3-900001 is not met: tone level left has moved"
        in admission.refusal
    )
    assert admission.gates["golden"]["state"] == "not met"


def test_a_change_of_config_limits_or_software_makes_it_due(log):
    station = made_station()
    met(log, station)
    assert Gatekeeper(log, station, LIMITS).standing().may_judge
    for changed in (
        (replace(station, sha256="58" * 32), LIMITS),
        (station, replace(LIMITS, sha256="cd" * 32)),
    ):
        (state,) = Gatekeeper(log, *changed).standing().gates
        assert state.state is State.DUE
    met(log, station, circumstances={"software": "linecheck 0.0.9"})
    (state,) = Gatekeeper(log, station, LIMITS).standing().gates
    assert state.why == "the linecheck version has changed since record 2"
    assert Gatekeeper(log, station, None).standing().gates[0].state is State.DUE


def test_time_that_this_program_has_seen_pass_counts_whatever_the_clock_says(log):
    station, moment = made_station(), [100.0]
    met(log, station)
    keeper = Gatekeeper(log, station, LIMITS, clock=lambda: moment[0])
    now = datetime.now(UTC)
    assert keeper.standing(now).may_judge
    moment[0] += 9 * 3600.0
    assert keeper.standing(now).gates[0].state is State.OVERDUE


class NineHoursLater(datetime):
    """A clock that was wrong, or is: nobody can tell which."""

    @classmethod
    def now(cls, tz=None):
        return datetime.now(tz) + timedelta(hours=9)


@pytest.mark.parametrize("after", ["run", "statement"])
def test_a_record_of_a_later_time_counts_although_the_clock_was_set_back(log, monkeypatch, after):
    station = made_station()
    met(log, station)
    keeper = Gatekeeper(log, station, LIMITS)
    with monkeypatch.context() as clock:
        clock.setattr(f"linecheck.log.{'store' if after == 'run' else 'statements'}.datetime", NineHoursLater)
        if after == "run":
            log.append(made_run())
        else:
            log.state("remark", "line-2-nest-a", {})
    log.append(made_run())
    assert keeper.standing().gates[0].state is State.OVERDUE
    met(log, station)
    assert keeper.standing().may_judge, "what was recorded by a wrong clock before it does not count"


def test_the_latest_time_is_of_records_after_it_alone(log):
    log.append(made_run())
    head = log.head()
    with log.reading() as connection:
        assert log_queries.latest_time(connection, head.sequence) is None
        before = log_queries.latest_time(connection, 0)
    log.append(made_run())
    stated = met(log, made_station())
    with log.reading() as connection:
        after = log_queries.latest_time(connection, head.sequence)
        assert log_queries.latest_time(connection, stated.sequence) is None
    assert before < after


def test_golden_and_challenge_units_are_no_units(log):
    station = made_station(challenge=True)
    keeper = Gatekeeper(log, station, LIMITS)
    assert "judges the station: run `linecheck station golden`" in keeper.admission(GOLDEN).refusal
    assert "run `linecheck station challenge`" in keeper.admission(BAD).refusal


def test_every_challenge_unit_must_be_found_out(log):
    station = made_station(challenge=True)
    met(log, station)
    keeper = Gatekeeper(log, station, LIMITS)
    assert "challenge.hum was never met" in keeper.admission("PR3-000001").refusal
    met(log, station, gate="challenge", serial=BAD)
    assert keeper.admission("PR3-000001").refusal is None


def test_a_model_without_a_golden_unit_of_its_own_is_not_judged(log):
    station = made_station()
    met(log, station)
    other = replace(LIMITS, model="pellow-s1", serial_pattern="PS1-[0-9]{6}")
    (state,) = Gatekeeper(log, station, other).standing().gates
    assert (state.state, state.is_met) == (State.NEVER, False)
    assert "has no unit whose serial number is one of pellow-s1" in state.why


def test_runs_are_marked_where_the_config_says_so(log):
    station = made_station(outside="invalid")
    admission = Gatekeeper(log, station, LIMITS).admission("PR3-000001")
    (problem,) = admission.problems
    assert admission.refusal is None
    assert (problem.code, problem.blocks) == (CODE, True)
    assert made_run(problems=admission.problems).verdict is Verdict.INVALID


def test_a_self_check_unlocks_and_is_told(log):
    station = made_station(loop=LoopConfig(kind="digital"))
    met(log, station)
    for serial in ("PR3-000001", "PR3-000002", "PR3-000003"):
        log.append(dead(serial))
    keeper = Gatekeeper(log, station, LIMITS)
    assert keeper.standing().lock.locked
    steps = [{"name": "noise", "verdict": "not met", "sentence": "the input hums", "cure": ""}]
    log.state("self_check", "line-2-nest-a", {"verdict": "not met", "steps": steps})
    standing = keeper.standing()
    assert standing.lock.locked
    assert standing.record()["self_check"]["why"] == "noise: the input hums"
    head = log.state("self_check", "line-2-nest-a", {"verdict": "met", "steps": []})
    standing = keeper.standing()
    assert not standing.lock.locked
    assert standing.record()["self_check"] == {
        "state": "met",
        "record": head.sequence,
        "since": standing.gates[0].since.isoformat().replace("+00:00", "Z"),
    }


def test_a_self_check_that_is_not_needed_keeps_units_out_only_where_it_is_not_met(log):
    station = made_station(loop=LoopConfig(kind="digital"))
    met(log, station)
    keeper = Gatekeeper(log, station, LIMITS)
    assert keeper.admission("PR3-000001").refusal is None
    assert "self_check" not in keeper.admission("PR3-000001").gates
    log.state("self_check", "line-2-nest-a", {"verdict": "met", "steps": []})
    assert keeper.standing(datetime.now(UTC) + timedelta(hours=7)).may_judge
    assert keeper.admission("PR3-000001").gates["self_check"]["state"] == "met"
    log.state("self_check", "line-2-nest-a", {"verdict": "not met", "steps": []})
    assert "self-check is not met" in keeper.admission("PR3-000001").refusal


def test_a_loop_with_hours_asks_for_a_self_check_every_so_often(log):
    station = made_station(loop=LoopConfig(kind="digital", every_hours=12.0))
    met(log, station)
    keeper = Gatekeeper(log, station, LIMITS)
    refusal = keeper.admission("PR3-000001").refusal
    assert "self-check was never met (run `linecheck station check`)" in refusal
    said = {"verdict": "met", "steps": [], "station_config_sha256": station.sha256}
    log.state("self_check", "line-2-nest-a", said)
    now = datetime.now(UTC)
    assert keeper.standing(now).may_judge
    (state, _) = keeper.standing(now + timedelta(hours=13)).gates
    assert state.state is State.OVERDUE
    other = Gatekeeper(log, replace(station, sha256="58" * 32), LIMITS)
    assert other.standing(now).gates[0].state is State.DUE
    log.state("self_check", "line-2-nest-a", {**said, "verdict": "not done", "steps": []})
    assert keeper.standing(now).gates[0].state is State.NOT_MET


def test_the_lock_follows_from_the_log_alone_and_a_golden_unit_opens_it(log):
    station = made_station()
    met(log, station)
    keeper = Gatekeeper(log, station, LIMITS)
    log.append(dead("PR3-000001"))
    log.append(dead("PR3-000002", purpose="challenge"))
    log.append(dead("PR3-000002"))
    log.append(dead("PR3-000002"))
    assert keeper.standing().may_judge
    log.append(dead("PR3-000003"))
    standing = Gatekeeper(log, station, LIMITS).standing()
    assert standing.lock.common == ("tone sinad left",)
    assert standing.lock.serials == ("PR3-000001", "PR3-000002", "PR3-000003")
    refusal = keeper.admission("PR3-000004").refusal
    assert (
        "three units in a row (PR3-000001, PR3-000002, PR3-000003) failed alike (tone sinad left)" in refusal
    )
    assert standing.record()["lock"]["state"] == "locked"
    met(log, station)
    assert keeper.standing().may_judge


def test_what_runs_marked_invalid_say_keeps_the_station_locked(log, monkeypatch):
    """Where runs are marked and not refused, a pass among them opens nothing: it was not judged, however many come."""
    monkeypatch.setattr(log_queries, "MAX_LOOKED_AT", 8)
    station = made_station(outside="invalid")
    met(log, station)
    for serial in ("PR3-000001", "PR3-000002", "PR3-000003"):
        log.append(dead(serial))
    keeper = Gatekeeper(log, station, LIMITS)
    for at in range(20):
        admission = keeper.admission(f"PR3-00010{at % 10}")
        assert admission.problems
        log.append(made_run(serial=f"PR3-00010{at % 10}", problems=admission.problems, gates=admission.gates))
    standing = keeper.standing()
    assert standing.lock.since == 4
    assert "three units in a row" in standing.why
    met(log, station)
    assert keeper.standing().may_judge


def test_another_stations_runs_and_runs_of_known_units_lock_nothing(log):
    station = made_station()
    met(log, station)
    for serial in ("PR3-000001", "PR3-000002", "PR3-000003", "PR3-000004"):
        log.append(dead(serial, station="line-2-nest-b"))
        log.append(dead(serial, purpose="golden"))
    assert Gatekeeper(log, station, LIMITS).standing().may_judge


def test_a_nest_that_rests_while_others_work_stays_locked(log, monkeypatch):
    monkeypatch.setattr(log_queries, "MAX_LOOKED_AT", 4)
    station = made_station()
    met(log, station)
    for serial in ("PR3-000001", "PR3-000002", "PR3-000003"):
        log.append(dead(serial))
    for number in range(6):
        log.append(made_run(serial=f"PR3-1{number:05d}", station="line-2-nest-b"))
    assert Gatekeeper(log, station, LIMITS).standing().lock.locked


def test_the_run_of_another_model_between_them_opens_nothing(log):
    station = made_station()
    met(log, station)
    for serial in ("PR3-000001", "PR3-000002", "PR3-000003"):
        log.append(dead(serial))
    log.append(made_run(model="pellow-s1", serial="PS1-000001"))
    assert Gatekeeper(log, station, LIMITS).standing().lock.locked


@pytest.mark.parametrize("code", ["asset_overdue", "other_firmware", "setting_mismatch", "set_otherwise"])
def test_a_problem_that_was_known_before_is_no_fault_of_the_inputs(log, code):
    station = made_station()
    met(log, station)
    known = Problem(code, "the calibration of adc ADC-17 was due", blocks=True)
    for serial in ("PR3-000001", "PR3-000002", "PR3-000003"):
        log.append(made_run(serial=serial, problems=(known,)))
    assert Gatekeeper(log, station, LIMITS).standing().may_judge
    lost = Problem("station_failed", "the sound interface is gone", blocks=True)
    for serial in ("PR3-000001", "PR3-000002", "PR3-000003"):
        log.append(made_run(serial=serial, problems=(lost,), station_failed=True))
    assert Gatekeeper(log, station, LIMITS).standing().lock.common == ("the run: station failed",)


def test_no_lock_where_nothing_could_open_it(log):
    plain = Station(
        StationConfig(format=1, station="line-2-nest-a", interface="simulated", mains_hz=50), "s", "57" * 32
    )
    for serial in ("PR3-000001", "PR3-000002", "PR3-000003"):
        log.append(dead(serial))
    admission = Gatekeeper(log, plain, LIMITS).admission("PR3-000004")
    assert (admission.refusal, admission.problems, admission.gates) == (None, (), {})


def changed(path, query):
    with contextlib.closing(sqlite3.connect(path)) as database, database:
        database.execute("DROP TRIGGER IF EXISTS statement_keeps_on_update")
        database.execute(query)


def test_a_result_that_was_changed_lets_nobody_in(log, tmp_path):
    station = made_station()
    met(log, station, met=False)
    changed(
        tmp_path / "log.sqlite",
        """UPDATE statement SET content = replace(content, '"met":false', '"met":true')""",
    )
    with pytest.raises(RecordError, match="has been changed since it was stored"):
        Gatekeeper(log, station, LIMITS).admission("PR3-000001")
    changed(tmp_path / "log.sqlite", "UPDATE statement SET content = 'gone'")
    with pytest.raises(RecordError, match="run `linecheck log verify`"):
        Gatekeeper(log, station, LIMITS).admission("PR3-000001")


PLAIN = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(-9, 9), st.text(max_size=8)),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3),
        st.dictionaries(
            st.sampled_from(("met", "verdict", "reasons", "serial", "steps", "circumstances")),
            inner,
            max_size=6,
        ),
    ),
    max_leaves=12,
)


@settings(max_examples=40)
@given(PLAIN, st.sampled_from(("gate", "self_check")), st.text(max_size=30))
def test_whatever_a_statement_holds_it_is_met_only_where_it_says_so(content, kind, recorded):
    said = content if isinstance(content, dict) else {}
    result = read_result(Statement(1, "", recorded, kind, "x", said))
    assert result.met == (said.get("met") is True if kind == "gate" else said.get("verdict") == "met")
    assert all(isinstance(reason, str) for reason in result.reasons)


@pytest.mark.parametrize(
    ("query", "values"),
    [
        (log_queries.NEWEST_STATEMENT, ("gate", "x")),
        (log_queries.LATEST_RUN, (1,)),
        (log_queries.LATEST_OF_NEWEST, (1,)),
        (log_queries.LATEST_STATEMENT, (1,)),
        (log_queries.NEWEST_UNITS, (1, "bench", 9)),
        (log_queries.PROBLEMS, (1,)),
        (log_queries.FAILED_READINGS, (1,)),
        *((query, (1,)) for query in log_queries.FAILED_CURVES),
        (log_queries.GATES, (1,)),
        (log_queries.NEXT_STATEMENT, ("gate", "x", 1)),
        (log_queries.NEWEST_DOUBT, ("PR3-000001", "bench", "path_in_doubt")),
    ],
)
def test_what_is_asked_before_every_unit_is_found_by_an_index(log, query, values):
    """Nothing is sorted, and no table is gone through: an index may be walked from its end, and stops at once."""
    with log.reading() as connection:
        plan = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {query}", values).all()
    steps = [row[3] for row in plan]
    assert not any("TEMP B-TREE" in step for step in steps)
    for step in (step for step in steps if "subquery" not in step):
        walked = step.startswith("SCAN") and "COVERING INDEX" in step and "LIMIT" in query
        assert step.startswith("SEARCH") or walked, steps
