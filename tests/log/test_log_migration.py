"""A log of schema 1, as the code before statements wrote it: read as it is, and migrated once it is added to."""

import hashlib
import os
import shutil
import signal
import sqlite3
import tempfile
import time
from contextlib import closing
from pathlib import Path

import pytest
from forked import answer, started, until
from log_processes import open_log, open_on_full_disk, read_as_nobody
from made_comparisons import made_comparison
from made_runs import made_run

from linecheck.errors import FileError, RecordError
from linecheck.history.comparison.file import sign
from linecheck.log import Head, Log, LogReader, migrate
from linecheck.log.signoff import signature

TESTS = Path(__file__).parent.parent
OLD = TESTS / "log" / "logs" / "schema-1.sqlite"
NEWEST = len(migrate.MIGRATIONS)
#: As the code of that day printed it.
HEAD = Head(6, "1f5dd89f33b03cc1e58d679b606f8bb71ee65a4542806aabb4e830f900e8bf02")


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "log.sqlite"
    shutil.copy(OLD, path)
    return path


def version(path):
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT max(version) FROM schema_version").fetchone()[0]


def copies(path):
    return sorted(name for name in os.listdir(path.parent) if "schema" in name)


def assert_reads_as_of_old(path):
    with LogReader(path) as log:
        assert log.head() == HEAD
        assert log.verify(HEAD).intact
        assert log.verify().records == 6
        assert [run.logged.sequence for run in log.runs()] == [6, 5, 4, 3, 2, 1]
        assert log.signoffs() == ()
        (record,) = log.show("PR3-000001")
        assert record.settings == ()
        assert [item.reading.is_bound for item in record.checks[0].judged.readings] == [False]
        assert record.calibration == {"due": "2027-01-31"}
        assert log.find("PR3-000001") == 6


@pytest.mark.every_python
def test_reading_an_old_log_does_not_change_it(path):
    before = hashlib.sha256(path.read_bytes()).hexdigest()
    assert_reads_as_of_old(path)
    assert hashlib.sha256(path.read_bytes()).hexdigest() == before
    assert os.listdir(path.parent) == [path.name]
    assert version(path) == 1


def test_an_old_log_where_nothing_can_be_written(path):
    with tempfile.TemporaryDirectory(prefix="linecheck-test-") as folder:
        archived = Path(folder) / "log.sqlite"
        shutil.copy(path, archived)
        archived.chmod(0o444)
        Path(folder).chmod(0o555)
        read = answer(read_as_nobody, archived, path)
        Path(folder).chmod(0o755)
    assert read == (HEAD, 6, 0)


@pytest.mark.every_python
def test_a_log_that_is_added_to_is_migrated_and_a_copy_is_kept(path):
    with Log(path) as log:
        assert log.verify(HEAD).intact
        assert log.append(made_run()).sequence == 7
        signed = signature(by="Q. Engineer", role="QA", decision="accept", reason="Fine.")
        assert sign(log, made_comparison(), signed).sequence == 8
        assert log.verify(HEAD).records == 8
    assert version(path) == NEWEST
    assert copies(path) == ["log.schema-1.sqlite"]
    copy = path.with_name("log.schema-1.sqlite")
    assert version(copy) == 1
    assert_reads_as_of_old(copy)
    with Log(path):
        pass
    assert copies(path) == ["log.schema-1.sqlite"]
    assert not [name for name in os.listdir(path.parent) if name.endswith("-part")]


def test_the_copy_holds_what_is_only_in_the_write_ahead_log_yet(path):
    with closing(sqlite3.connect(path)) as writer:
        writer.execute("PRAGMA journal_mode=WAL").fetchall()
        writer.execute("INSERT INTO limits VALUES ('x', 'only in the journal')")
        writer.commit()
        assert os.path.getsize(f"{path}-wal")
        with Log(path):
            pass
    with closing(sqlite3.connect(path.with_name("log.schema-1.sqlite"))) as copy:
        assert copy.execute("SELECT content FROM limits WHERE digest = 'x'").fetchall()
        assert copy.execute("PRAGMA integrity_check").fetchall() == [("ok",)]


def test_no_copy_takes_the_place_of_a_file(path):
    first = path.with_name("log.schema-1.sqlite")
    first.write_text("kept", encoding="utf-8")
    os.symlink("nowhere", path.with_name("log.schema-1-2.sqlite"))
    with Log(path):
        pass
    assert first.read_text(encoding="utf-8") == "kept"
    assert copies(path) == ["log.schema-1-2.sqlite", "log.schema-1-3.sqlite", "log.schema-1.sqlite"]
    assert_reads_as_of_old(path.with_name("log.schema-1-3.sqlite"))


def test_an_empty_log_needs_no_copy(tmp_path, monkeypatch):
    path = tmp_path / "log.sqlite"
    every = migrate.MIGRATIONS
    monkeypatch.setattr(migrate, "MIGRATIONS", every[:1])
    with Log(path):
        pass
    monkeypatch.setattr(migrate, "MIGRATIONS", every)
    assert version(path) == 1
    with Log(path) as log:
        assert log.append(made_run()).sequence == 1
    assert copies(path) == []


def test_a_migration_that_fails_changes_nothing(path, monkeypatch):
    monkeypatch.setattr(
        migrate, "MIGRATIONS", (*migrate.MIGRATIONS[:1], ("DROP TABLE curve", "CREATE TABLE run (a)"))
    )
    with pytest.raises(RecordError, match="table run already exists"):
        Log(path)
    monkeypatch.undo()
    assert version(path) == 1
    assert_reads_as_of_old(path)
    with Log(path) as log:
        assert log.append(made_run()).sequence == 7


def test_a_disk_that_is_full_while_copying_changes_nothing(path):
    # Large enough for the migration's own journal to begin, too small for the copy.
    status, said = answer(open_on_full_disk, path, 50_000)
    assert status == 3
    copy = path.with_name("log.schema-1.sqlite")
    assert said.startswith(
        f"{copy}: the copy of the log that is kept before it is brought to a new form cannot be written ("
    )
    assert said.endswith("free some space or give permission, and repeat; the log is as it was")
    assert copies(path) == []
    assert not [name for name in os.listdir(path.parent) if name.endswith("-part")]
    assert version(path) == 1
    assert_reads_as_of_old(path)


def test_too_many_copies_are_said(path, monkeypatch):
    monkeypatch.setattr(migrate, "_MAX_COPIES", 1)
    path.with_name("log.schema-1.sqlite").write_bytes(b"")
    with pytest.raises(FileError, match="has 1 copies of schema 1 beside it"):
        Log(path)
    assert version(path) == 1


def test_stations_that_open_it_at_once_migrate_it_once(path):
    processes = [started(open_log, path) for _ in range(3)]
    for process in processes:
        process.join()
    assert [process.exitcode for process in processes] == [0, 0, 0]
    assert copies(path) == ["log.schema-1.sqlite"]
    with LogReader(path) as log:
        assert log.verify(HEAD).intact
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("SELECT version FROM schema_version").fetchall() == [
            (number,) for number in range(1, len(migrate.MIGRATIONS) + 1)
        ]


@pytest.mark.parametrize("moments", [6, pytest.param(60, marks=pytest.mark.soak)])
def test_killed_at_any_moment_of_a_migration_the_log_opens(path, moments):
    began = time.monotonic()
    Log(path).close()
    took = time.monotonic() - began
    for at in range(moments):
        folder = path.parent / f"killed-{at}"
        folder.mkdir()
        shutil.copy(OLD, folder / "log.sqlite")
        migrating = started(open_log, folder / "log.sqlite", folder / "begun")
        until((folder / "begun").exists)
        time.sleep(took * at / moments)
        migrating.kill()
        migrating.join()
        assert at or migrating.exitcode == -signal.SIGKILL
    versions = set()
    for folder in path.parent.glob("killed-*"):
        log_path = folder / "log.sqlite"
        versions.add(version(log_path))
        if version(log_path) == 1:
            assert_reads_as_of_old(log_path)
        for name in copies(log_path):
            assert_reads_as_of_old(folder / name)
        with Log(log_path) as log:
            assert log.verify(HEAD).records == 6
            assert log.append(made_run()).sequence == 7
        assert version(log_path) == NEWEST
        assert 1 <= len(copies(log_path)) <= 2
        assert not [name for name in os.listdir(folder) if name.endswith("-part")]
    assert 1 in versions
