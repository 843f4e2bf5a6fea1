"""Sending beside a session: one line where an outage begins and one where it ends, and nobody is held up."""

import os
import shutil
import subprocess
import sys
import threading
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path

import pytest
from forked import started, until
from hypothesis import given
from hypothesis import strategies as st
from log_processes import send_beside
from sent_logs import made_log, same_rows, sent

from linecheck.log.sync.background import BackgroundSync
from linecheck.log.sync.batches import batches
from linecheck.log.sync.local import LocalLog, unsent_for_long
from linecheck.log.sync.target import Target
from linecheck.log.sync.worker import MAX_WAIT_SECONDS, Worker, waiting_seconds


@pytest.fixture
def path(tmp_path):
    return made_log(tmp_path / "log.sqlite", runs=1, statements=0)


@pytest.fixture
def url(postgres):
    with postgres.lent() as url:
        yield url


@pytest.fixture
def worker(path, url):
    """Return a worker in this process, and what it has said."""
    said = []
    with LocalLog(path) as log:
        yield Worker(log, Target.parsed(url), 0.1, threading.Event(), said.append), said


def acknowledged(path, url):
    with LocalLog(path, only_read=True) as log:
        return log.acknowledged(Target.parsed(url)).sequence


def test_an_outage_is_said_once_at_its_start_and_once_at_its_end(worker, path, url, postgres):
    working, said = worker
    working.once()
    assert said == []
    postgres.kill()
    made_log(path, runs=1, statements=0)
    for _ in range(3):
        working.once()
    assert len(said) == 1
    assert "nothing listens there" in said[0]
    assert "The records stay in the log" in said[0]
    postgres.start()
    made_log(path, runs=1, statements=0)
    for _ in range(3):
        working.once()
    assert len(said) == 2
    assert said[1].startswith("sent again: ")
    assert said[1].endswith("has all 3 records of the log")
    same_rows(path, url)


def test_where_nothing_is_new_the_server_is_left_alone(worker, url, postgres):
    working, said = worker
    working.once()
    postgres.kill()
    working.once()
    assert said == []
    postgres.start()


def test_a_log_that_is_refused_is_said_once(worker, path, tmp_path, url):
    working, said = worker
    working.once()
    copy = tmp_path / "copy.sqlite"
    shutil.copy(path, copy)
    made_log(copy, runs=1, statements=0)
    sent(copy, url)
    made_log(path, runs=2, statements=0)
    for _ in range(3):
        working.once()
    assert len(said) == 1
    assert "is no continuation of what the server has" in said[0]


def test_a_log_of_the_same_name_is_said_once(worker, path, tmp_path, url):
    working, said = worker
    other = made_log(tmp_path / "other.sqlite", runs=1, statements=0)
    made_log(path, runs=1, statements=0)
    sent(other, url)
    for _ in range(3):
        made_log(path, runs=1, statements=0)
        working.once()
    assert [line[:48] for line in said] == ["warning: two logs name the station line-2-nest-a"]


@given(
    every=st.floats(0.1, 86_400.0),
    failures=st.integers(0, 10_000),
    chance=st.floats(0.0, 1.0, exclude_max=True),
)
def test_it_waits_longer_after_each_failure_but_never_too_long(every, failures, chance):
    waiting = waiting_seconds(every, failures, chance)
    if failures == 0:
        assert waiting == every
    else:
        assert min(every, MAX_WAIT_SECONDS) <= waiting <= MAX_WAIT_SECONDS
        assert waiting <= every * 2.0 ** min(failures, 30)
        assert waiting_seconds(every, failures + 1, chance) >= waiting


def test_stations_that_failed_together_do_not_come_back_together():
    assert len({waiting_seconds(1.0, 5, chance / 10) for chance in range(10)}) == 10


def test_a_process_beside_the_session_sends_what_comes_and_ends_with_it(path, url, postgres):
    with BackgroundSync(path, url, every_seconds=0.1) as beside:
        until(lambda: acknowledged(path, url) == 1)
        assert os.getpriority(os.PRIO_PROCESS, beside._process.pid) == 19
        postgres.kill()
        made_log(path, runs=1, statements=0)
        lines = []
        until(lambda: lines.extend(beside.said()) or lines)
        postgres.start()
        until(lambda: acknowledged(path, url) == 2)
        until(lambda: lines.extend(beside.said()) or len(lines) == 2)
        made_log(path, runs=1, statements=0)
    # The last record is sent although the session has ended.
    assert beside.stop(wait_seconds=60.0)
    assert beside.said() == []
    assert acknowledged(path, url) == 3
    same_rows(path, url)
    assert [line.split(":")[0] for line in lines] == ["not sent", "sent again"]


def test_a_session_that_is_killed_takes_the_process_with_it(path, url, tmp_path):
    session = started(send_beside, path, url, tmp_path / "process")
    until(lambda: acknowledged(path, url) == 1)
    session.kill()
    session.join()
    until(lambda: not is_running(int((tmp_path / "process").read_text())))


def is_running(process):
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def standing_in(beside, code, *arguments):
    """Let another program stand in for the one that sends."""
    beside._command = [sys.executable, "-S", "-c", code, *map(str, arguments)]
    return beside


def test_what_is_sent_once_is_told_to_end_and_needs_nobody_who_waits(path, tmp_path):
    beside = BackgroundSync(path, "postgresql://nobody@127.0.0.1:1/nothing")
    standing_in(beside, "import os, sys; os.read(0, 1) or open(sys.argv[1], 'x')", tmp_path / "told")
    beside.send_once()
    assert beside.stop(wait_seconds=60.0)
    assert (tmp_path / "told").exists()


def test_a_process_that_ends_too_early_says_so(path):
    beside = BackgroundSync(path, "postgresql://nobody@127.0.0.1:1/nothing")
    with standing_in(beside, "print('not sent: no server')"):
        lines = []
        until(lambda: lines.extend(beside.said()) or len(lines) == 2)
        assert beside.stop(wait_seconds=60.0)
    assert lines[0] == "not sent: no server"
    assert "nothing is sent any more" in lines[1]


def test_what_has_waited_for_long_is_said_without_asking_a_server(path, url):
    now = datetime.now(UTC)
    assert unsent_for_long(path, url, now) is None
    late = now + timedelta(days=3)
    said = unsent_for_long(path, url, late)
    assert said.startswith("warning: 1 record waits to be sent to postgresql://127.0.0.1:")
    sent(path, url)
    assert unsent_for_long(path, url, late) is None
    made_log(path, runs=2, statements=0)
    assert unsent_for_long(path, url, late).startswith("warning: 2 records wait to be sent")


def test_between_batches_it_rests_unless_the_session_has_ended(path, url, monkeypatch):
    monkeypatch.setattr("linecheck.log.sync.push.batches", partial(batches, most_rows=1))
    made_log(path, runs=3, statements=0)
    rests = []

    class Session(threading.Event):
        def wait(self, timeout=None):
            rests.append(timeout)
            return True

    with LocalLog(path) as log:
        Worker(log, Target.parsed(url), 0.1, Session(), rests.append).once()
    assert len(rests) == 4
    assert all(0.0 < rest <= 5.0 for rest in rests)
    same_rows(path, url)


def test_a_machine_that_has_no_process_left_says_so_and_goes_on(path, monkeypatch):
    def none_left(*_, **__):
        raise BlockingIOError(11, "Resource temporarily unavailable")

    monkeypatch.setattr(subprocess, "Popen", none_left)
    with BackgroundSync(path, "postgresql://line@127.0.0.1:1/logs") as beside:
        assert beside.said() == [
            "nothing is sent, the process for that cannot be started: Resource temporarily unavailable"
        ]
        beside.send_once()
    assert len(beside.said()) == 1
