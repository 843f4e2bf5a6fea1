"""What a factory does to a log: power cuts, full disks, locked and read-only files, the wrong file."""

import contextlib
import json
import os
import random
import shutil
import signal
import sqlite3
import tempfile
import time
from contextlib import closing
from pathlib import Path

import pytest
from forked import answer, started, until
from log_processes import append_for_ever, append_until_full, use_as_nobody
from made_runs import made_run
from sqlalchemy import event
from sqlalchemy.pool import Pool

from linecheck.errors import FileError, RecordError
from linecheck.log import Log, LogReader
from linecheck.log.schema import MIGRATIONS


def assert_all_there(path, said):
    """Hold every record that was acknowledged against the log."""
    with closing(sqlite3.connect(path)) as connection:
        stored = connection.execute("SELECT run_id, sequence, attempt, record_hash FROM run").fetchall()
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    assert {tuple(record) for record in said} <= set(stored)
    with LogReader(path) as log:
        found = log.verify()
        assert found.intact, found.fault
        assert found.records == len(stored)
    return len(stored)


@pytest.fixture
def said(tmp_path):
    """A file for what the log has acknowledged."""
    path = tmp_path / "said"
    path.touch()
    return path


def acknowledged(said):
    return [json.loads(line) for line in said.read_text().splitlines()]


@pytest.mark.parametrize("rounds", [5, pytest.param(100, marks=pytest.mark.soak)])
def test_killed_at_any_moment_no_recorded_run_is_lost_and_the_next_writer_goes_on(tmp_path, said, rounds):
    moments = random.Random(20261120)
    path = tmp_path / "log.sqlite"
    for _ in range(rounds):
        before = said.stat().st_size
        writer = started(append_for_ever, path, said)
        until(lambda before=before: said.stat().st_size > before)
        time.sleep(moments.uniform(0.0, 0.05))
        writer.kill()
        writer.join()
        assert writer.exitcode == -signal.SIGKILL
    known = acknowledged(said)
    # Of each round, the run that was being recorded when it ended may be there too.
    there = assert_all_there(path, known)
    assert len(known) <= there <= len(known) + rounds
    with Log(path) as log:
        assert log.append(made_run()).attempt == there + 1
        assert log.verify().intact


def test_a_file_that_cannot_grow_loses_nothing_that_was_recorded(tmp_path, said):
    path = tmp_path / "log.sqlite"
    assert answer(append_until_full, path, said, 600_000) == (
        3,
        f"{path}: the disk cannot be read or written: is it full, unplugged or failing?",
    )
    known = acknowledged(said)
    assert known
    assert assert_all_there(path, known) == len(known)


@contextlib.contextmanager
def full_disk(pages):
    """Let no database grow beyond so many pages; SQLite then reports a full disk."""

    def limit(connection, *_):
        connection.execute(f"PRAGMA max_page_count={pages}")

    event.listen(Pool, "checkout", limit)
    try:
        yield
    finally:
        event.remove(Pool, "checkout", limit)


def append_until_refused(log, reason):
    """Append until it is refused for this reason; return how many were recorded."""
    for recorded in range(500):
        try:
            log.append(made_run())
        except RecordError as error:
            if reason not in str(error):
                raise
            return recorded
    raise AssertionError("the disk was never full")


def test_a_full_disk_is_said_and_survived(tmp_path):
    path = tmp_path / "log.sqlite"
    with Log(path) as log:
        log.append(made_run())
    with full_disk(pages=40), Log(path) as log:
        recorded = 1 + append_until_refused(log, "the disk is full: free some space")
        assert log.head().sequence == recorded
        recorded += append_until_refused(log, "the disk is full: free some space")
        assert log.head().sequence == recorded
    with Log(path) as log:
        assert log.append(made_run()).sequence == recorded + 1
        assert log.verify().intact


def test_a_full_disk_when_the_log_is_made(tmp_path):
    with full_disk(pages=3), pytest.raises(RecordError, match="the disk is full"):
        Log(tmp_path / "log.sqlite")
    with Log(tmp_path / "log.sqlite") as log:
        assert log.append(made_run()).sequence == 1


def test_a_locked_log_is_said_after_waiting_and_nothing_is_recorded(tmp_path):
    path = tmp_path / "log.sqlite"
    with Log(path, busy_seconds=0.2) as log:
        with closing(sqlite3.connect(path, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            with pytest.raises(RecordError, match="another program holds the log locked: close it") as error:
                log.append(made_run())
            assert error.value.exit_status == 3
            assert log.head().sequence == 0
        assert log.append(made_run()).sequence == 1


def test_a_log_that_is_locked_when_it_is_opened(tmp_path):
    path = tmp_path / "log.sqlite"
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN EXCLUSIVE")
        with pytest.raises(RecordError, match="locked"):
            Log(path, busy_seconds=0.2)


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("file/log.sqlite", "there is a file of that name"),
        ("/proc/nowhere/log.sqlite", "the folder cannot be made"),
        ("/proc/self/log.sqlite", "cannot be opened"),
        ("/dev/null", "is a folder or a device"),
        ("", "the log is a file: give its path"),
        (":memory:", "the log is a file: give its path"),
        ("postgresql://server/log", "the log is an SQLite file"),
        ("sqlite://", "the log is an SQLite file"),
        ("log\0.sqlite", "the log is a file: give its path"),
        ("n" * 300, "cannot be opened|too long"),
    ],
)
def test_where_no_log_can_be(tmp_path, monkeypatch, name, reason):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "file").write_bytes(b"")
    for opened in (Log, LogReader):
        with pytest.raises(FileError) as error:
            opened(name)
        assert error.value.exit_status == 2
    with pytest.raises(FileError, match=reason):
        Log(name)


def test_a_folder_is_no_log(tmp_path):
    with pytest.raises(FileError, match="is a folder or a device"):
        Log(tmp_path)


def test_reading_makes_no_log(tmp_path):
    with pytest.raises(FileError, match="there is no log of that name"):
        LogReader(tmp_path / "log.sqlite")
    assert os.listdir(tmp_path) == []


def test_an_empty_file_is_an_empty_log(tmp_path):
    path = tmp_path / "log.sqlite"
    path.write_bytes(b"")
    with pytest.raises(FileError, match="is an empty log: no run was recorded in it yet"):
        LogReader(path)
    with Log(path) as log:
        assert log.append(made_run()).sequence == 1


@pytest.mark.parametrize("opened", [Log, LogReader])
def test_a_file_that_is_no_database_is_refused_and_left_alone(tmp_path, opened):
    path = tmp_path / "log.sqlite"
    content = b"version https://git-lfs.github.com/spec/v1\n" * 100
    path.write_bytes(content)
    with pytest.raises(FileError, match="is not an SQLite database"):
        opened(path)
    assert path.read_bytes() == content


@pytest.mark.parametrize("opened", [Log, LogReader])
def test_another_programs_database_is_refused_and_left_alone(tmp_path, opened):
    path = tmp_path / "other.sqlite"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("CREATE TABLE run (id INTEGER)")
    content = path.read_bytes()
    with pytest.raises(FileError, match="is a database, but no log of linecheck"):
        opened(path)
    assert path.read_bytes() == content
    assert os.listdir(tmp_path) == ["other.sqlite"]


@pytest.mark.parametrize("opened", [Log, LogReader])
def test_a_log_of_a_newer_linecheck_is_refused(tmp_path, opened):
    path = tmp_path / "log.sqlite"
    with Log(path) as log:
        log.append(made_run())
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("INSERT INTO schema_version VALUES (99, '2031-01-01', 'linecheck 9.0')")
    with pytest.raises(
        FileError,
        match=rf"newer linecheck \(schema 99, this one knows up to {len(MIGRATIONS)}\): update linecheck",
    ):
        opened(path)


@pytest.fixture
def open_folder():
    """Return a folder that everyone can get to, which pytest's own are not."""
    folder = Path(tempfile.mkdtemp(prefix="linecheck-test-"))
    folder.chmod(0o755)
    yield folder
    folder.chmod(0o755)
    shutil.rmtree(folder)


def test_a_read_only_log_can_be_read_but_not_added_to(open_folder, tmp_path):
    path = open_folder / "log.sqlite"
    with Log(path) as log:
        log.append(made_run())
        log.append(made_run())
    path.chmod(0o444)
    open_folder.chmod(0o555)
    refused, read = answer(use_as_nobody, path, tmp_path / "warm.sqlite")
    assert refused == (
        2,
        f"{path}: the log is read-only: it needs a file and a folder that can be written to",
    )
    assert read == 2


def test_a_folder_that_cannot_be_written_to(open_folder, tmp_path):
    open_folder.chmod(0o555)
    (status, refused), _ = answer(use_as_nobody, open_folder / "log.sqlite", tmp_path / "warm.sqlite")
    assert status == 2
    assert refused.startswith(f"{open_folder / 'log.sqlite'}: the log cannot be opened: is its folder there")
