"""What waits to be handed over: nothing is lost, nothing comes out of order, whatever ends the program in between."""

import json
import os
import resource
import signal
import sqlite3
import time
from contextlib import closing

import pytest
from forked import answer, started
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from log_processes import no_file_beyond
from made_runs import made_run

from linecheck.errors import RecordError
from linecheck.line.events import HandedOver, HandOverFailed, Note
from linecheck.line.hand_over import HandOver, retry_seconds
from linecheck.log import Log, LogReader
from linecheck.log.outbox import delivering
from linecheck.station.command import Ended
from linecheck.station.config.hand_over import AfterConfig

STATION = "line-2-nest-a"


class Killed(BaseException):
    """What ends a program at once, as far as it can be told from within."""


class Receiver:
    """The factory's program: takes, refuses, or is at it when linecheck is killed."""

    program = "receiver"

    def __init__(self, *does):
        self.does, self.got = list(does), []

    def ended(self, fills, content):
        does = self.does.pop(0) if self.does else "take"
        if does == "refuse":
            return Ended(4, "the command failed (exit status 4): no paper")
        result = json.loads(content)
        assert result["serial"] == fills["serial"]
        self.got.append(result["run"])
        if does == "kill":
            raise Killed
        return Ended(0, None, "printed\n")


def opened(path):
    return Log(path, hand_over=("unit",))


def hand_over(path, receiver, station=STATION):
    heard = []
    with opened(path) as log:
        try:
            outcome = HandOver(log, station, receiver, heard.append).all()
        except Killed:
            outcome = "killed"
    return outcome, heard


def stated(path):
    """The runs that are stated to be handed over, in the order of the statements."""
    with LogReader(path) as log:
        assert log.verify().intact
        return [each.content for each in log.statements("handed_over")][::-1]


def waits(path):
    with LogReader(path) as log:
        return log.outbox()


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=30)
@given(
    st.lists(
        st.one_of(
            st.sampled_from(["unit", "golden"]),
            st.lists(st.sampled_from(["take", "refuse", "kill"]), min_size=1, max_size=4),
        ),
        max_size=12,
    )
)
def test_every_run_of_a_unit_is_handed_over_at_least_once_and_in_order(tmp_path_factory, steps):
    path, receiver, due = tmp_path_factory.mktemp("log") / "log.sqlite", Receiver(), []
    for step in steps:
        if isinstance(step, str):
            run = made_run(purpose=step)
            with opened(path) as log:
                log.append(run)
            due += [run.run_id] * (step == "unit")
        else:
            receiver.does = list(step)
            hand_over(path, receiver)
        done = [said["run"] for said in stated(path)] if path.exists() else []
        assert done == due[: len(done)]
        assert [entry.run_id for entry in waits(path)] == due[len(done) :] if path.exists() else not due
        # Stated is what was taken; what was taken and is not stated is the one that waits first.
        assert set(receiver.got) - set(done) <= set(due[len(done) : len(done) + 1])
    receiver.does = []
    assert hand_over(path, receiver)[0] == "done"
    assert list(dict.fromkeys(receiver.got)) == due
    assert [said["run"] for said in stated(path)] == due


def test_what_is_not_taken_is_told_once_and_holds_up_what_comes_after_it(tmp_path):
    path, runs, heard = (
        tmp_path / "log.sqlite",
        [made_run(serial="PR3-000001"), made_run(serial="PR3-000002")],
        [],
    )
    with opened(path) as log:
        for run in runs:
            log.append(run)
        receiver = Receiver("refuse", "refuse", "refuse")
        hand = HandOver(log, STATION, receiver, heard.append)
        assert [hand.all(), hand.all(), hand.all()] == ["failed"] * 3
        (said,) = heard
        assert said == HandOverFailed(
            runs[0].run_id, "PR3-000001", "the command failed (exit status 4): no paper"
        )
        first, second = log.outbox()
        assert (first.tries, first.answer) == (3, said.why)
        assert (second.tries, second.tried, second.answer) == (0, None, "")
        assert hand.all() == "done"
    assert heard[1:] == [
        HandedOver(runs[0].run_id, "PR3-000001", "receiver", "printed", 4),
        HandedOver(runs[1].run_id, "PR3-000002", "receiver", "printed", 1),
    ]
    assert [(said["tries"], said["answer"], said["command"]) for said in stated(path)] == [
        (4, "printed", "receiver"),
        (1, "printed", "receiver"),
    ]


def test_each_station_hands_over_its_own(tmp_path):
    path = tmp_path / "log.sqlite"
    with opened(path) as log:
        for station in ("nest-a", "nest-b", "nest-a"):
            log.append(made_run(station=station))
    receiver = Receiver()
    assert hand_over(path, receiver, "nest-b")[0] == "done"
    assert len(receiver.got) == 1
    assert [entry.station for entry in waits(path)] == ["nest-a", "nest-a"]


def test_nobody_makes_a_run_wait_no_longer_but_by_a_statement(tmp_path):
    path = tmp_path / "log.sqlite"
    with opened(path) as log:
        log.append(made_run())
    with (
        closing(sqlite3.connect(path)) as connection,
        pytest.raises(sqlite3.IntegrityError, match="waits until"),
    ):
        connection.execute("DELETE FROM outbox")
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DROP TRIGGER outbox_keeps_on_delete")
        connection.commit()
    with LogReader(path) as log:
        assert not log.verify().intact


def test_a_program_that_took_it_while_nothing_can_be_stated_gets_it_again(tmp_path, monkeypatch):
    path, receiver = tmp_path / "log.sqlite", Receiver()
    with opened(path) as log:
        log.append(made_run())

    def full(*_):
        raise RecordError("the disk is full")

    with monkeypatch.context() as patch:
        patch.setattr(Log, "handed_over", full)
        outcome, (said,) = hand_over(path, receiver)
    assert (outcome, "receiver took it" in said.why, "the disk is full" in said.why) == ("failed", True, True)
    assert hand_over(path, receiver)[0] == "done"
    assert len(receiver.got) == 2
    assert len(stated(path)) == 1


def test_a_program_is_given_nothing_that_cannot_be_counted(tmp_path, monkeypatch):
    path, receiver = tmp_path / "log.sqlite", Receiver()
    with opened(path) as log:
        log.append(made_run())

    def full(*_):
        raise RecordError("the disk is full")

    monkeypatch.setattr(Log, "note_try", full)
    assert [hand_over(path, receiver)[0] for _ in range(3)] == ["failed"] * 3
    assert receiver.got == []


def hand_over_on_full_disk(path, size_bytes):
    """Hand over what waits with no room for a log that grows beyond a size; return what came of it."""
    receiver, heard = Receiver(), []
    with opened(path) as log:
        no_file_beyond(size_bytes)
        outcome = HandOver(log, STATION, receiver, heard.append).all()
        no_file_beyond(resource.getrlimit(resource.RLIMIT_FSIZE)[1])
    return outcome, receiver.got, [event.why for event in heard if isinstance(event, HandOverFailed)]


def test_a_full_disk_loses_nothing_at_whatever_write_it_comes(tmp_path):
    seen = set()
    for at in range(16):
        path = tmp_path / f"{at}.sqlite"
        with opened(path) as log:
            log.append(made_run())
        outcome, got, why = answer(hand_over_on_full_disk, path, at * 4096)
        done = [said["run"] for said in stated(path)]
        seen.add((outcome, len(got)))
        assert (outcome == "done") == (len(done) == 1) == (why == [])
        assert [entry.run_id for entry in waits(path)] == [] if done else len(waits(path)) == 1
        assert hand_over(path, Receiver())[0] == "done"
        assert len(stated(path)) == 1
    assert {("failed", 0), ("failed", 1), ("done", 1)} <= seen


def hand_over_by(path, command, seconds=30.0):
    """Hand over by a real command until nothing waits."""
    after, heard = AfterConfig(command=command, timeout_seconds=seconds), []
    with opened(path) as log:
        hand = HandOver(log, STATION, after, heard.append)
        while (outcome := hand.all()) == "busy":
            time.sleep(0.01)
    return outcome, heard


def test_a_program_that_is_killed_once_its_command_has_taken_a_run_gives_it_again(tmp_path):
    path, got = tmp_path / "log.sqlite", tmp_path / "got"
    runs = [made_run(), made_run()]
    with opened(path) as log:
        for run in runs:
            log.append(run)
    take = tmp_path / "take.sh"
    take.write_text(
        "python3 -c 'import json, sys; print(json.load(sys.stdin)[\"run\"])' >> $1\n"
        "test -e $1.killed || { touch $1.killed; kill -KILL $PPID; }\n"
    )
    process = started(hand_over_by, path, f"sh {take} {got}")
    process.join(60)
    assert process.exitcode == -signal.SIGKILL
    first, second = waits(path)
    assert (first.run_id, first.tries, first.answer, second.tries) == (runs[0].run_id, 1, "", 0)
    assert hand_over_by(path, f"sh {take} {got}")[0] == "done"
    assert got.read_text().split() == [runs[0].run_id, runs[0].run_id, runs[1].run_id]
    assert [said["tries"] for said in stated(path)] == [2, 1]


def test_two_programs_never_hand_over_the_same_run_at_the_same_time(tmp_path):
    path, got = tmp_path / "log.sqlite", tmp_path / "got"
    runs = [made_run() for _ in range(12)]
    with opened(path) as log:
        for run in runs:
            log.append(run)
    take = tmp_path / "take.py"
    take.write_text(
        "import json, os, sys, time\n"
        "run = json.load(sys.stdin)['run']\n"
        "with open(sys.argv[1], 'ab', buffering=0) as got:\n"
        "    got.write(f'begin {run}\\n'.encode()); time.sleep(0.02); got.write(f'end {run}\\n'.encode())\n"
    )
    both = [started(hand_over_by, path, f"python3 {take} {got}") for _ in range(2)]
    for process in both:
        process.join(60)
        assert process.exitcode == 0
    assert got.read_text().splitlines() == [
        f"{word} {run.run_id}" for run in runs for word in ("begin", "end")
    ]
    assert waits(path) == ()


def test_who_finds_another_program_at_it_does_nothing(tmp_path):
    path, receiver = tmp_path / "log.sqlite", Receiver()
    with opened(path) as log:
        log.append(made_run())
    with delivering(path, STATION) as mine:
        assert mine
        assert hand_over(path, receiver) == ("busy", [])
    assert hand_over(path, receiver)[0] == "done"


@pytest.mark.parametrize(
    ("command", "why"),
    [
        ("/no/such/printer", "the command '/no/such/printer' cannot be started: No such file or directory"),
        ("sleep 60", "the command did not end within 0.3 s and was ended"),
        ("sh -c 'kill -KILL $$'", "the command failed (ended by signal 9)"),
        (
            "sh -c 'printf \"\\033[2J\\377\\n\" >&2; exit 3'",
            "the command failed (exit status 3): \\x1b[2J\ufffd",
        ),
    ],
)
def test_why_a_run_waits_is_said_in_words_and_noted(tmp_path, command, why):
    path = tmp_path / "log.sqlite"
    with opened(path) as log:
        log.append(made_run())
    outcome, (said,) = hand_over_by(path, command, 0.3)
    assert (outcome, said.why) == ("failed", why)
    (entry,) = waits(path)
    assert (entry.tries, entry.answer) == (1, why)


def test_megabytes_of_talk_are_an_answer_of_one_bounded_line(tmp_path):
    path = tmp_path / "log.sqlite"
    with opened(path) as log:
        log.append(made_run())
    talk = (
        'import sys; sys.stdout.buffer.write(b"talk\\n" * 1_000_000 + b"\\x1b]0;x\\x07\\xff" + b"y" * 3_000)'
    )
    outcome, (said,) = hand_over_by(path, f"python3 -c '{talk}'")
    assert outcome == "done"
    assert len(said.answer) == 200
    assert said.answer.isprintable()
    assert stated(path)[0]["answer"] == said.answer


def test_a_program_need_not_read_what_it_is_given(tmp_path):
    """Its input is larger than a pipe holds."""
    path = tmp_path / "log.sqlite"
    with opened(path) as log:
        log.append(made_run(operator="A" * 2_000_000))
    assert hand_over_by(path, "true")[0] == "done"


def test_a_record_that_was_changed_is_not_handed_over(tmp_path):
    path = tmp_path / "log.sqlite"
    with opened(path) as log:
        log.append(made_run())
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("DROP TRIGGER run_keeps_on_update")
        connection.execute("UPDATE run SET started = 'yesterday'")
        connection.commit()
    receiver = Receiver()
    outcome, (said,) = hand_over(path, receiver)
    assert (outcome, receiver.got) == ("failed", [])
    assert "a record cannot be understood" in said.why


def test_a_folder_that_takes_no_lock_is_said(tmp_path):
    path = tmp_path / "log.sqlite"
    with opened(path) as log:
        log.append(made_run())
    os.symlink("/dev/full/no", tmp_path / "log.sqlite.outbox")
    outcome, (said,) = hand_over(path, Receiver())
    assert (outcome, isinstance(said, Note)) == ("failed", True)
    assert said.text.startswith("nothing is handed over: ")
    assert len(waits(path)) == 1


def test_pauses_grow_up_to_what_the_config_allows():
    pauses = [retry_seconds(60.0, failures) for failures in range(1, 2000)]
    assert pauses[:7] == [1, 2, 4, 8, 16, 32, 60]
    assert set(pauses[7:]) == {60}
    assert retry_seconds(0.5, 1) == 0.5
