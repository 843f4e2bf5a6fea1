"""A gauge study at the line: its units in the plan's order, in runs that count for nothing else."""

import json
import os
import shutil
import signal
import sqlite3
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from forked import started
from line.conftest import ONE_CHECK
from made_runs import made_run
from small_run import STATION

from linecheck.errors import ExitStatus, FileError, RecordError, UsageError
from linecheck.gates.known_units import Accepted
from linecheck.history.shift import runs_of_shift, summed
from linecheck.limits.loading.load import load_limits
from linecheck.limits.verdict import Verdict
from linecheck.line.events import StudyWaits, UnitRefused, VerdictKnown
from linecheck.line.known_unit import judge_by_golden
from linecheck.line.scan import Scan, scan_units
from linecheck.line.session import opened_session
from linecheck.line.states import NestState, State, after
from linecheck.line.unit_trace import UnitFacts
from linecheck.log import Log, RunFilter
from linecheck.station.config.load import load_station
from linecheck.station.events import CheckStarted
from linecheck.statistics.gauge.plan import plan_bytes, planned
from linecheck.statistics.gauge.progress import PLANNED, done

A, B, OTHER = "PR3-000001", "PR3-000002", "PR3-000009"
DATABASE = "results/linecheck.sqlite"
OLD_LOGS = Path(__file__).parents[1] / "log" / "logs"
RETEST = "retest: {most_attempts: 1, reasons: [reseated]}\n"
LIMITS = ONE_CHECK.replace("checks:\n", f"{RETEST}checks:\n")
NEST = STATION.replace("interface", 'nest = "a"\ninterface')


@pytest.fixture
def study(tmp_path, monkeypatch):
    """Return a function that writes a plan for the small limit file, and gives it."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "limits.yaml").write_text(LIMITS, encoding="utf-8")

    def written(**what):
        limits = load_limits("limits.yaml")
        plan = planned(limits.model, limits.sha256, [A, B], 2, **{"seed": 1, "made": "now", **what})
        Path("plan.json").write_bytes(plan_bytes(plan))
        return plan

    return written


def scanned(session, *texts, **said):
    waiting = iter([Scan(text, 1e12 + 10.0 * at, text) for at, text in enumerate(texts)])
    return scan_units(session, UnitFacts(said), lambda: next(waiting, None))


def waits(heard):
    return [event.says for event in heard if isinstance(event, StudyWaits)]


def refusals(heard):
    return [event.why for event in heard if isinstance(event, UnitRefused)]


def test_units_come_in_the_plan_s_order_as_often_as_it_asks(at_work, study):
    plan = study()
    order = [entry.unit for entry in plan.entries]
    with at_work(limits=LIMITS, study="plan.json") as (session, heard):
        # No reason is asked for, and no count of attempts holds.
        assert scanned(session, *order) is ExitStatus.PASS
        records = session.log.runs(RunFilter(purpose="study"))
        (stated,) = session.log.statements(PLANNED)
    assert waits(heard)[0] == f"Connect {order[0]} (run 1 of 4)."
    assert waits(heard)[-1] == "The study is complete here: 4 of 4 runs."
    assert [run.serial for run in records[::-1]] == order
    assert {(run.purpose, run.study, run.released, run.reason) for run in records} == {
        ("study", plan.id, None, None)
    }
    assert stated.content["plan"] == json.loads(Path("plan.json").read_text())


def test_what_is_not_next_is_refused_and_says_what_is(at_work, study):
    order = [entry.unit for entry in study().entries]
    wrong = B if order[0] == A else A
    with at_work(limits=LIMITS, study="plan.json") as (session, heard):
        scanned(session, wrong, OTHER, *order, order[0])
        count = len(session.log.runs(RunFilter()))
    first, second, last = refusals(heard)
    assert first == f"{wrong} is not measured: the study has {order[0]} (run 1 of 4) next. Nothing was run."
    assert f"{OTHER} is none of its units" in second
    assert "the study is complete here" in last
    assert count == 4


def test_an_invalid_run_is_made_again(at_work, study):
    order = [entry.unit for entry in study().entries]
    with at_work(limits=LIMITS, study="plan.json", faults=("dropout",)) as (session, heard):
        status = scanned(session, order[0])
    assert [event.verdict for event in heard if isinstance(event, VerdictKnown)] == [Verdict.INVALID]
    assert status is ExitStatus.INVALID
    with at_work(limits=LIMITS, study="plan.json") as (session, heard):
        assert scanned(session, *order) is ExitStatus.PASS
    assert waits(heard)[0] == f"Connect {order[0]} (run 1 of 4)."


def test_a_fail_is_a_measurement(at_work, study):
    order = [entry.unit for entry in study().entries]
    with at_work(limits=LIMITS, study="plan.json", faults=("hum",)) as (session, heard):
        assert scanned(session, *order) is ExitStatus.PASS
        (verdicts,) = {event.verdict for event in heard if isinstance(event, VerdictKnown)}
        assert verdicts is Verdict.FAIL
        assert done(session.log, session.study.plan, {}).following is None


def test_runs_of_a_study_count_for_nothing_else(at_work, study):
    order = [entry.unit for entry in study().entries]
    with at_work(limits=LIMITS, study="plan.json", faults=("hum",)) as (session, _):
        scanned(session, *order)
    with at_work(limits=LIMITS) as (session, _):
        # Its unit was never tested: no reason, and the only attempt that there may be.
        assert session.test(A, UnitFacts()).status is ExitStatus.PASS
        log = session.log
        assert [attempt.verdict for attempt in log.history("pellow-r3", A)] == [Verdict.PASS]
        for attempt in ("first", "last"):
            (found,) = log.runs(RunFilter(attempt=attempt, purpose="unit"))
            assert (found.serial, found.verdict) == (A, Verdict.PASS)
        assert len(log.runs(RunFilter(attempt="first", purpose="study"))) == 2
        assert log.verify().intact
        summary = summed(runs_of_shift(log, datetime(2026, 1, 1, tzinfo=UTC)))
    assert (summary.runs, summary.first_judged, summary.first_passed) == (1, 1, 1)


def test_the_unit_of_another_operator_waits_for_them(at_work, study):
    plan = study(factor="operator", levels=("Ann", "Bo"))
    first = plan.entries[0]
    other = "Bo" if first.level == "Ann" else "Ann"
    with at_work(limits=LIMITS, study="plan.json") as (session, heard):
        scanned(
            session,
            first.unit,
            f"LINE-OPERATOR-{other}",
            first.unit,
            f"LINE-OPERATOR-{first.level}",
            first.unit,
        )
        (record,) = session.log.runs(RunFilter(purpose="study"))
    nobody, wrong = refusals(heard)
    assert "nobody has said who is at the station" in nobody
    assert f"its next run is {first.level}'s, and {other} is at the station" in wrong
    assert (record.serial, record.operator) == (first.unit, first.level)


def test_another_day_of_the_plan_is_another_day(at_work, study):
    plan = study(factor="day", levels=("day 1", "day 2"))
    order = [entry.unit for entry in plan.entries]
    with at_work(limits=LIMITS, study="plan.json") as (session, heard):
        scanned(session, *order)
    assert "day 2 of the study is another day than day 1" in refusals(heard)[0]
    assert len(refusals(heard)) == 4


def test_each_nest_has_its_own_runs(at_work, study):
    plan = study(factor="nest", levels=("a", "b"))
    order = [entry.unit for entry in plan.at({"nest": "a"})]
    with at_work(limits=LIMITS, station=NEST, study="plan.json") as (session, heard):
        scanned(session, *order)
    assert waits(heard)[-1] == "The study is complete here: 4 of 4 runs."
    with (
        pytest.raises(UsageError, match=r"no runs at nest \(this nest has no name\): it has a, b"),
        at_work(limits=LIMITS, study="plan.json"),
    ):
        pass


@pytest.mark.parametrize("changed", ["limits", "plan", "pattern"])
def test_a_plan_for_something_else_is_refused(at_work, study, changed):
    study()
    limits = LIMITS
    if changed == "limits":
        limits = LIMITS.replace("-80", "-81")
    elif changed == "plan":
        Path("plan.json").write_text(Path("plan.json").read_text().replace(A, OTHER))
    else:
        planned_for = load_limits("limits.yaml")
        plan = planned(planned_for.model, planned_for.sha256, ["X1", "X2"], 2, seed=1, made="now")
        Path("plan.json").write_bytes(plan_bytes(plan))
    with pytest.raises((UsageError, FileError)), at_work(limits=limits, study="plan.json"):
        pass
    assert not Path(DATABASE).exists()


def test_a_golden_unit_may_be_studied_and_else_judges_the_station(at_work, study):
    golden = STATION + f'[golden]\nserials = ["{A}"]\nevery_hours = 8\n'
    order = [entry.unit for entry in study().entries]
    with at_work(limits=LIMITS, station=golden, study="plan.json") as (session, heard):
        judge_by_golden(session, A, UnitFacts(), Accepted("Ada", "the first"))
        scanned(session, *order)
        runs = session.log.runs(RunFilter())
    assert refusals(heard) == []
    assert [run.purpose for run in runs] == [*["study"] * 4, "golden"]


def test_a_study_waits_for_a_station_that_may_not_judge(at_work, study):
    golden = STATION + f'[golden]\nserials = ["{OTHER}"]\nevery_hours = 8\n'
    order = [entry.unit for entry in study().entries]
    with at_work(limits=LIMITS, station=golden, study="plan.json") as (session, heard):
        scanned(session, order[0])
    assert any("golden" in why for why in refusals(heard))


def be_killed():
    def hear(event):
        if isinstance(event, CheckStarted):
            os.kill(os.getpid(), signal.SIGKILL)

    with opened_session(
        load_station("station.toml"), "limits.yaml", study="plan.json", listener=hear
    ) as session:
        session.measure(session.study.entries[0].unit, UnitFacts())


def test_a_run_that_was_killed_is_made_again(at_work, study, tmp_path):
    plan = study()
    (tmp_path / "station.toml").write_text(STATION, encoding="utf-8")
    started(be_killed).join()
    with at_work(limits=LIMITS, study="plan.json") as (session, heard):
        scanned(session, *[entry.unit for entry in plan.entries])
        runs = session.log.runs(RunFilter(purpose="study"))
        assert session.log.verify().intact
    assert [run.verdict for run in runs[::-1]] == [Verdict.ABORTED, *[Verdict.PASS] * 4]
    assert {run.study for run in runs} == {plan.id}
    assert refusals(heard) == []


def test_the_screen_asks_for_the_next_unit_and_shows_no_verdict_of_a_measurement(at_work, study):
    order = [entry.unit for entry in study().entries]
    shown = []
    state = NestState("bench")

    def hear(event):
        nonlocal state
        state = after(state, event)
        shown.append(state.state)

    with at_work(limits=LIMITS, study="plan.json", listener=hear) as (session, _):
        scanned(session, order[0])
        assert (state.state, state.says) == (State.ASKED, f"Connect {order[1]} (run 2 of 4).")
        scanned(session, order[0])
        assert (state.state, order[1] in state.says) == (State.NOT_TESTED, True)
        scanned(session, *order[1:])
    assert State.PASS not in shown
    assert (state.state, "complete" in state.says) == (State.STOPPED, True)


@pytest.mark.parametrize("name", ["schema-1.sqlite", "schema-2.sqlite"])
def test_a_log_of_before_takes_studies(name, tmp_path):
    """The purposes that the log's own check allows come with a migration; what it refuses, it still refuses."""
    path = tmp_path / name
    shutil.copy(OLD_LOGS / name, path)
    with Log(path) as log:
        log.append(made_run(purpose="study", study="9c37cebeb5459416"))
        with pytest.raises(RecordError, match="CHECK"):
            log.append(made_run(purpose="another"))
        assert log.verify().intact
        (found,) = log.runs(RunFilter(facts={"study": "9c37cebeb5459416"}))
    assert found.purpose == "study"
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
