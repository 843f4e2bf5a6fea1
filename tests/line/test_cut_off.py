"""Runs that are cut off: on record before anything plays, and ended as what they are by whoever comes next."""

import errno
import json
import os
import shutil
import signal
import sqlite3
import threading
from contextlib import ExitStack, closing
from pathlib import Path

import pytest
from forked import started, until
from small_run import LIMITS, STATION, call, write_small_files

from linecheck.errors import ExitStatus, RecordError
from linecheck.files.durable import lock_file
from linecheck.limits.verdict import Verdict
from linecheck.line.events import RunCutOff, UnitRefused, VerdictKnown
from linecheck.line.scan import Desk, Scan
from linecheck.line.session import ACKNOWLEDGED, opened_session
from linecheck.line.unit_trace import UnitFacts
from linecheck.log import Log, LogReader
from linecheck.log.begun import held, is_cut_off
from linecheck.run.model import NOT_RELEASED
from linecheck.station.config.load import load_station
from linecheck.station.events import CheckStarted

SERIAL = "PR3-000001"
FACTS = UnitFacts({"lot": "L7"})
DATABASE = "results/linecheck.sqlite"
RETEST = "retest: {passes_after_fail: 2, reasons: [reseated]}\n"
WITH_RETEST = LIMITS.replace("checks:\n", f"{RETEST}checks:\n")


def be_killed_at(name, kept, faults):
    """End as by a power cut, once a check begins to play and so many others were kept."""

    def hear(event):
        if isinstance(event, CheckStarted) and event.planned.check.name == name:
            with sqlite3.connect(DATABASE) as log:
                until(lambda: log.execute("SELECT count(*) FROM begun").fetchone()[0] >= 1 + kept)
            os.kill(os.getpid(), signal.SIGKILL)

    options = {"listener": hear, "faults": faults}
    with opened_session(load_station("station.toml"), "limits.yaml", **options) as session:
        session.test(SERIAL, FACTS)


def kill_at(check, kept, *faults):
    process = started(be_killed_at, check, kept, faults)
    process.join(60)
    assert process.exitcode == -signal.SIGKILL


def recorded():
    with LogReader(DATABASE) as log:
        assert log.verify().intact
        return list(log.show(SERIAL))[::-1]


@pytest.fixture(scope="module")
def killed_station(tmp_path_factory):
    """The folder of a station whose first run was killed at the third check, after the first had failed."""
    folder = tmp_path_factory.mktemp("killed")
    write_small_files(folder, limits=WITH_RETEST)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        kill_at("wiring", 1, "distorting")
    return folder


@pytest.fixture
def cut_off(at_work, killed_station, tmp_path):
    """That station, for one test alone."""
    shutil.copytree(killed_station, tmp_path, dirs_exist_ok=True)
    return at_work


def test_a_run_is_on_record_before_anything_plays(cut_off, monkeypatch, capsys):
    with LogReader(DATABASE) as log:
        assert [(run.serial, run.model) for run in log.begun()] == [(SERIAL, "pellow-r3")]
        (begun,) = log.statements("run_begun")
        assert begun.content["serial"] == SERIAL
        assert log.runs() == ()
        assert log.verify().intact
    status, _, err = call(monkeypatch, capsys, "log", "list", "--log", DATABASE)
    assert (status, f"begun and not recorded yet: {SERIAL}" in err) == (0, True)


def test_one_that_was_cut_off_is_aborted_with_what_is_known_and_counts_as_the_fail_that_it_holds(cut_off):
    with cut_off(limits=WITH_RETEST) as (_, heard):
        (told,) = (event for event in heard if isinstance(event, RunCutOff))
    (run,) = recorded()
    assert (run.verdict, run.logged.attempt, run.lot) == (Verdict.ABORTED, 1, "L7")
    assert ([check.check for check in run.checks], run.missing) == (["tone"], ("quiet", "wiring"))
    assert run.check("tone").judged.verdict is Verdict.FAIL
    assert run.check("tone").judged.curves[0].curve.y.size > 100
    assert run.stopped_after_fail
    assert [problem.code for problem in run.problems] == ["cut_off"]
    assert run.started <= run.finished
    assert (told.run.run_id, told.attempt) == (run.run_id, 1)
    (written,) = Path("results", SERIAL).glob("*/result.json")
    assert json.loads(written.read_text(encoding="utf-8"))["verdict"] == "aborted"


def test_a_unit_whose_run_was_cut_off_after_a_fail_needs_a_reason_and_as_many_passes_as_one_that_failed(
    cut_off,
):
    with cut_off(limits=WITH_RETEST) as (session, heard):
        assert session.was_tested(SERIAL)
        assert session.test(SERIAL, FACTS).status is ExitStatus.WRONG_INPUT
        again = FACTS.with_reason("reseated")
        statuses = [session.test(SERIAL, again).status for _ in range(2)]
    assert statuses == [ExitStatus.INVALID, ExitStatus.PASS]
    passes = [event.run.state for event in heard if isinstance(event, VerdictKnown)]
    assert passes == ["hold", "pass"]
    assert [run.logged.attempt for run in recorded()] == [1, 2, 3]


def test_one_that_was_cut_off_before_anything_was_judged_is_aborted_and_no_fail(at_work):
    with at_work(limits=WITH_RETEST):
        pass
    kill_at("tone", 0, "distorting")
    with at_work(limits=WITH_RETEST) as (session, _):
        assert session.test(SERIAL, FACTS.with_reason("reseated")).status is ExitStatus.PASS
    first, second = recorded()
    assert (first.verdict, first.checks, len(first.missing)) == (Verdict.ABORTED, (), 3)
    assert (second.logged.attempt, second.released) == (2, True)


def test_a_run_whose_beginning_is_on_record_cannot_be_made_to_vanish(cut_off):
    with closing(sqlite3.connect(DATABASE)) as log, log:
        log.execute("DELETE FROM begun")
    with LogReader(DATABASE) as log:
        (fault,) = log.verify().other_faults
    assert "was begun, and what became of it was removed" in fault


def test_a_run_that_another_program_is_at_is_left_alone(cut_off):
    with LogReader(DATABASE) as log:
        run_id = log.begun()[0].run_id
    with held(Path(DATABASE).absolute(), run_id), cut_off(limits=WITH_RETEST) as (session, heard):
        session.end_cut_off()
        assert not [event for event in heard if isinstance(event, RunCutOff)]
        assert session.test("PR3-000002", FACTS).status is ExitStatus.PASS
    with Log(DATABASE) as first, Log(DATABASE) as second:
        assert len(first.end_cut_off()) == 1
        assert second.end_cut_off() == ()
    assert [run.verdict for run in recorded()] == [Verdict.ABORTED]


def test_who_looks_at_the_lock_of_a_run_as_it_begins_leaves_it_locked(tmp_path):
    log, run_id = tmp_path / "log.sqlite", "a" * 36
    looked_at = tmp_path / "log.sqlite.begun" / run_id
    looked_at.parent.mkdir()
    with open(looked_at, "ab") as looking:
        assert lock_file(looking)
        looks_away = threading.Timer(0.1, looking.close)
        looks_away.start()
        with held(log, run_id):
            looks_away.join()
            assert not is_cut_off(log, run_id)


def test_a_lock_that_a_full_disk_has_no_room_for_leaves_no_file(tmp_path, monkeypatch):
    def full(*arguments):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "pwrite", full)
    with pytest.raises(RecordError, match="cannot be locked"), held(tmp_path / "log.sqlite", "a" * 36):
        pass
    assert list((tmp_path / "log.sqlite.begun").iterdir()) == []


def test_a_run_that_cannot_be_put_on_record_does_not_begin(at_work, monkeypatch):
    def full(log, run):
        raise RecordError("the disk is full: free some space")

    monkeypatch.setattr(Log, "begin", full)
    with at_work() as (session, heard):
        tested = session.test(SERIAL, FACTS)
    assert (tested.status, tested.run) == (ExitStatus.INVALID, None)
    assert heard[-1] == UnitRefused(SERIAL, "the disk is full: free some space. Nothing was run.")
    assert not [event for event in heard if isinstance(event, CheckStarted)]
    assert recorded() == []


def test_a_fail_that_nothing_could_be_recorded_of_counts_all_the_same(at_work, monkeypatch):
    def full(*arguments):
        raise RecordError("the disk is full")

    with at_work(limits=WITH_RETEST, faults=("distorting",)) as (session, _), monkeypatch.context() as patch:
        for name in ("keep", "append"):
            patch.setattr(Log, name, full)
        assert session.test(SERIAL, FACTS).status is ExitStatus.INVALID
    with at_work(limits=WITH_RETEST) as (session, heard):
        assert session.test(SERIAL, FACTS).run is None
        assert "say why it is tested again" in heard[-1].why
        again = session.test(SERIAL, FACTS.with_reason("reseated"))
    first, _ = recorded()
    assert (first.verdict, first.stopped_after_fail) == (Verdict.ABORTED, True)
    assert (again.status, again.run.held) == (ExitStatus.INVALID, True)


def test_a_unit_that_another_program_has_under_test_is_refused_until_that_has_ended(cut_off):
    with LogReader(DATABASE) as log:
        run_id = log.begun()[0].run_id
    with held(Path(DATABASE).absolute(), run_id), cut_off(limits=WITH_RETEST) as (session, heard):
        assert session.test(SERIAL, FACTS).status is ExitStatus.INVALID
        assert "PR3-000001 is under test already, by another program" in heard[-1].why
        assert session.test("PR3-000002", FACTS).status is ExitStatus.PASS
    assert recorded() == []


def test_one_that_is_cut_off_while_others_are_tested_is_ended_before_the_next_unit(cut_off):
    with LogReader(DATABASE) as log:
        run_id = log.begun()[0].run_id
    with ExitStack() as other_program:
        other_program.enter_context(held(Path(DATABASE).absolute(), run_id))
        with cut_off(limits=WITH_RETEST) as (session, heard):
            assert heard == []
            other_program.close()
            session.test("PR3-000002", FACTS)
    assert isinstance(heard[0], RunCutOff)
    assert [run.verdict for run in recorded()] == [Verdict.ABORTED]


def test_one_that_another_nest_of_the_log_records_is_told_at_its_own_nest_alone(cut_off):
    with cut_off(limits=WITH_RETEST, station=f'nest = "b"\n{STATION}') as (other, heard):
        assert heard == []
        other.tell_aborted()
        assert heard == []
    assert [run.verdict for run in recorded()] == [Verdict.ABORTED]
    with cut_off(limits=WITH_RETEST) as (session, heard):
        session.tell_aborted()
        (told,) = heard
        assert (type(told), told.serial, told.attempt) == (RunCutOff, SERIAL, 1)
        session.test("PR3-000002", FACTS)
        heard.clear()
        session.tell_aborted()  # the nest has had another unit since
        assert heard == []


@pytest.mark.parametrize("scanned", ["LINE-OPERATOR-A. Berg", "no label"])
def test_it_is_told_at_each_start_until_something_is_scanned_at_the_nest(cut_off, scanned):
    for _ in range(2):
        with cut_off() as (session, heard):
            heard.clear()
            desk = Desk(session, FACTS)
            desk.tell_aborted()
            assert [event.serial for event in heard] == [SERIAL]
    with cut_off() as (session, heard):
        desk = Desk(session, FACTS)
        desk.tell_aborted()
        desk.take(Scan("", 1.0))
        assert not session.log.statements(ACKNOWLEDGED)
        desk.take(Scan(scanned, 2.0))
        (said,) = session.log.statements(ACKNOWLEDGED)
        assert said.content["scanned"] == scanned
        heard.clear()
        Desk(session, FACTS).tell_aborted()
        assert heard == []


def test_what_somebody_put_among_begun_runs_is_told_by_verify(cut_off):
    with closing(sqlite3.connect(DATABASE)) as log, log:
        log.execute("INSERT INTO begun VALUES ('x', 0, '2026-01-01T00:00:00Z', '{}')")
    with LogReader(DATABASE) as log:
        (fault,) = log.verify().other_faults
    assert "the log's table begun holds what linecheck never writes" in fault


def test_what_cannot_be_kept_of_a_run_that_goes_on_costs_nothing(at_work, monkeypatch, caplog):
    def busy(log, run_id, check):
        raise RecordError("another program holds the log locked")

    monkeypatch.setattr(Log, "keep", busy)
    with at_work() as (session, _):
        assert session.test(SERIAL, FACTS).status is ExitStatus.PASS
    assert "check tone could not be kept" in caplog.text


def test_a_run_that_is_stopped_after_a_fail_counts_as_a_fail(at_work):
    def stop_at_wiring(event):
        if isinstance(event, CheckStarted) and event.planned.check.name == "wiring":
            raise KeyboardInterrupt

    with at_work(limits=WITH_RETEST, faults=("distorting",), listener=stop_at_wiring) as (session, _):
        assert session.test(SERIAL, FACTS).run.stopped_after_fail
    with at_work(limits=WITH_RETEST) as (session, _):
        held_back = session.test(SERIAL, FACTS.with_reason("reseated")).run
    assert (held_back.state, held_back.problems[-1].code) == ("hold", NOT_RELEASED)


def test_what_is_kept_of_a_run_reads_back_as_it_was(at_work):
    with at_work(limits=LIMITS) as (session, _):
        run = session.test(SERIAL, FACTS).run
        log = session.log
        again = run.__class__(**{**vars(run), "run_id": "0" * 8, "checks": (), "missing": (), "record": None})
        log.begin(again)
        for check in run.checks:
            log.keep(again.run_id, check)
        (stored,) = log.end_cut_off()
        ended = log.record(stored.sequence)
        first = log.record(log.find(run.run_id))
    for check in run.checks:
        kept, whole = ended.check(check.check), first.check(check.check)
        assert (kept.judged.readings, kept.judged.problems, kept.setup) == (
            whole.judged.readings,
            whole.judged.problems,
            whole.setup,
        )
        assert [item.curve.y.tobytes() for item in kept.judged.curves] == [
            item.curve.y.tobytes() for item in whole.judged.curves
        ]
    assert ended.limits.checks == first.limits.checks
