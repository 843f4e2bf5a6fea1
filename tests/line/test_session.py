"""A station at work, heard by a plain list: what happens to a unit, in which order, and whose it is."""

import threading
from dataclasses import replace
from pathlib import Path

import pytest
from small_run import LIMITS, STATION

from linecheck.errors import ExitStatus, FileError, RecordError, UsageError
from linecheck.limits.verdict import Verdict
from linecheck.line import kept_captures
from linecheck.line.events import (
    CapturesKept,
    CapturesNotKept,
    FilesNotWritten,
    FilesWritten,
    NextAct,
    RunNotRecorded,
    RunRecorded,
    UnitAdmitted,
    UnitRefused,
    VerdictKnown,
)
from linecheck.line.session import opened_session
from linecheck.line.unit_trace import UnitFacts
from linecheck.log import Log, LogReader
from linecheck.results import files
from linecheck.run.causes import causes_of
from linecheck.station.config.load import load_station
from linecheck.station.events import CheckStarted, MeasuringEnded, RunStarted, UnitSet

pytestmark = pytest.mark.every_python

SERIAL = "PR3-000001"
FACTS = UnitFacts()
DATABASE = "results/linecheck.sqlite"
RETEST = "retest: {passes_after_fail: 2, reasons: [reseated]}\n"


def kinds(heard):
    return [type(event) for event in heard]


def with_retest(limits):
    return limits.replace("checks:\n", f"{RETEST}checks:\n")


def test_a_unit_is_admitted_run_recorded_written_and_then_its_verdict_is_told(at_work):
    with at_work(limits=LIMITS) as (session, heard):
        tested = session.test(SERIAL, FACTS)
    assert (tested.status, tested.run.verdict) == (ExitStatus.PASS, Verdict.PASS)
    told = kinds(heard)
    assert told[:2] == [UnitAdmitted, RunStarted]
    assert told[-4:] == [MeasuringEnded, RunRecorded, FilesWritten, VerdictKnown]
    assert set(told[2:-4]) == {CheckStarted}
    started = [event.planned.check.name for event in heard if isinstance(event, CheckStarted)]
    assert started == ["tone", "quiet", "wiring"]
    assert heard[0] == UnitAdmitted(SERIAL, attempt=1, tested_before=0)
    assert (heard[-1].verdict, heard[-1].attempt, heard[-1].run.released) == (Verdict.PASS, 1, True)


def test_a_verdict_is_told_once_it_is_on_the_disk_and_its_files_are_there(at_work):
    seen = []

    def hear(event):
        if isinstance(event, VerdictKnown):
            with LogReader(DATABASE) as log:
                assert log.verify().intact
                seen.append([run.run_id for run in log.runs()] == [event.run_id])
        if isinstance(event, FilesWritten):
            seen.append(all(path.exists() for path in event.paths))

    with at_work(listener=hear) as (session, _):
        session.test(SERIAL, FACTS)
    assert seen == [True, True]


def test_a_refused_unit_has_no_run_and_says_why(at_work):
    with at_work(limits=with_retest(LIMITS)) as (session, heard):
        session.test(SERIAL, FACTS)
        heard.clear()
        tested = session.test(SERIAL, FACTS)
    assert (tested.status, tested.run) == (UsageError.exit_status, None)
    (event,) = heard
    assert isinstance(event, UnitRefused)
    assert event.serial == SERIAL
    assert "say why it is tested again" in event.why
    with LogReader(DATABASE) as log:
        assert len(log.runs()) == 1


def test_units_that_are_tested_at_the_same_time_are_told_apart(at_work):
    heard, verdicts = [], {}
    serials = ("PR3-000001", "PR3-000002")
    with at_work():
        pass

    def work(serial):
        with opened_session(load_station("station.toml"), "limits.yaml", listener=heard.append) as session:
            verdicts[serial] = session.test(serial, FACTS).run

    nests = [threading.Thread(target=work, args=(serial,)) for serial in serials]
    for nest in nests:
        nest.start()
    for nest in nests:
        nest.join()
    for serial in serials:
        own = [event for event in heard if event.serial == serial]
        assert kinds(own)[:2] == [UnitAdmitted, RunStarted]
        assert kinds(own)[-1] is VerdictKnown
        assert {event.run_id for event in own[1:]} == {verdicts[serial].run_id}
    assert {event.serial for event in heard} == set(serials)


def test_a_run_that_cannot_be_recorded_is_told_as_invalid_whatever_it_measured(at_work, monkeypatch):
    def broken(self, outcome):
        raise RecordError("the disk is full")

    monkeypatch.setattr(Log, "append", broken)
    with at_work() as (session, heard):
        tested = session.test(SERIAL, FACTS)
    assert (tested.status, heard[-1].verdict, heard[-1].attempt) == (
        ExitStatus.INVALID,
        Verdict.INVALID,
        None,
    )
    assert RunRecorded not in kinds(heard)
    (event,) = (event for event in heard if isinstance(event, RunNotRecorded))
    assert (event.serial, event.why) == (SERIAL, "the disk is full")


@pytest.mark.parametrize("at", [RunRecorded, FilesWritten, VerdictKnown])
def test_a_listener_that_fails_finds_the_record_and_the_files_on_the_disk(at_work, at):
    def fail(event):
        if isinstance(event, at):
            raise RuntimeError("nobody is there")

    with at_work() as (session, _), pytest.raises(RuntimeError):
        replace(session, listener=fail).test(SERIAL, FACTS)
    with LogReader(DATABASE) as log:
        assert [run.verdict for run in log.runs()] == [Verdict.PASS]
    assert {path.name for path in Path("results").glob(f"{SERIAL}/*/*")} == {"result.json", "junit.xml"}


def test_the_log_stays_open_until_no_thread_keeps_a_check_in_it(at_work, monkeypatch):
    closed, found = threading.Event(), []

    def keep_late(self, run_id, check):
        found.append(closed.wait(0.3))

    def close(self):
        closed.set()
        really_close(self)

    really_close = Log.close
    monkeypatch.setattr(Log, "keep", keep_late)
    monkeypatch.setattr(Log, "close", close)
    with at_work() as (session, _):
        session.test(SERIAL, FACTS)
    assert found == [False]


def test_what_went_wrong_beside_a_verdict_is_told_before_it(at_work, monkeypatch):
    def full(path, content):
        raise RecordError(f"{path}: the disk is full")

    monkeypatch.setattr(files, "write_atomically", full)
    with at_work() as (session, heard):
        tested = session.test(SERIAL, FACTS)
    assert tested.status is ExitStatus.INVALID
    assert kinds(heard)[-2:] == [FilesNotWritten, VerdictKnown]
    assert heard[-1].verdict is Verdict.PASS
    assert (heard[-2].run_id, heard[-2].serial) == (tested.run.run_id, SERIAL)


def test_captures_in_an_archive_are_kept_before_the_run_is_recorded(at_work):
    station = STATION + '[archive]\nfolder = "archive"\nevery_nth_pass = 1\n'
    with at_work(station=station) as (session, heard):
        session.test(SERIAL, FACTS)
    told = kinds(heard)
    assert told.index(CapturesKept) < told.index(RunRecorded) < told.index(VerdictKnown)
    (kept,) = (event for event in heard if isinstance(event, CapturesKept))
    assert kept.folder.is_dir()
    assert kept.why


@pytest.mark.parametrize("full", [False, True])
def test_captures_beside_the_files_are_kept_or_said_to_be_lost(at_work, monkeypatch, full):
    def fail(folder, *arguments, **facts):
        raise FileError(folder, "No space left on device")

    if full:
        monkeypatch.setattr(kept_captures, "write_capture_set", fail)
    with at_work(keep_captures=True) as (session, heard):
        tested = session.test(SERIAL, FACTS)
    assert {VerdictKnown, CapturesNotKept if full else CapturesKept} <= set(kinds(heard))
    assert tested.status is (ExitStatus.INVALID if full else ExitStatus.PASS)
    assert Path(DATABASE).exists()


def test_a_pass_after_a_fail_is_told_as_not_released(at_work):
    again = FACTS.with_reason("reseated")
    with at_work(limits=with_retest(LIMITS), faults=("distorting",)) as (session, heard):
        run = session.test(SERIAL, FACTS).run
        assert run.verdict is Verdict.FAIL
    assert [type(event) for event in heard[-2:]] == [VerdictKnown, NextAct]
    assert heard[-1] == NextAct(run.run_id, SERIAL, causes_of(run).first.act)
    with at_work(limits=with_retest(LIMITS)) as (session, heard):
        first, second = session.test(SERIAL, again), session.test(SERIAL, again)
    runs = [event.run for event in heard if isinstance(event, VerdictKnown)]
    assert [(run.verdict, run.released, run.state) for run in runs] == [
        (Verdict.PASS, False, "hold"),
        (Verdict.PASS, True, "pass"),
    ]
    assert (first.status, second.status) == (ExitStatus.INVALID, ExitStatus.PASS)


class Helpful:
    """Somebody who sets what they are asked to set."""

    def __init__(self):
        self.asked = []

    def confirm(self, request):
        self.asked.append(request)

    def choose(self, request, codes):
        raise AssertionError("nobody asks for a code")


def test_people_are_asked_for_settings_and_what_they_set_is_told(at_work):
    limits = LIMITS.split("  quiet:")[0] + (
        "  tone:\n    kind: tone\n    stimulus: {seconds: 0.25}\n    setups: [{gain: low}, {gain: high}]\n"
        "    masks: {sinad: {pass: {min: 90}}}\n"
    )
    people = Helpful()
    with at_work(limits=limits, people=people) as (session, heard):
        session.test(SERIAL, FACTS)
    made = [(event.serial, event.step.value) for event in heard if isinstance(event, UnitSet)]
    assert made == [(SERIAL, "low"), (SERIAL, "high")]
    assert len(people.asked) == len(made)
    assert all(SERIAL in request for request in people.asked)


def test_a_command_that_cannot_be_is_refused_before_anything_is_opened(at_work):
    with pytest.raises(UsageError, match="the faults are"), at_work(faults=("gremlins",)):
        pass
    with pytest.raises(UsageError, match="expected PR3- and 6 digits"), at_work(serial="X-1"):
        pass
    assert not Path(DATABASE).exists()
