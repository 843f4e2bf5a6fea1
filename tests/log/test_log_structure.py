"""What stands beside the records of a log and is in no hash: guards, tables, indexes, the file itself."""

import shutil
import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import pytest
from made_runs import made_run, runs_of_every_verdict

from linecheck.errors import RecordError
from linecheck.limits.verdict import Verdict
from linecheck.log import Log, LogReader, RunFilter
from linecheck.log.schema import MIGRATIONS
from linecheck.log.verification.structure import structure_faults

OLD_LOGS = Path(__file__).parent / "logs"


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    path = tmp_path_factory.mktemp("sound") / "log.sqlite"
    with Log(path) as log:
        for run in runs_of_every_verdict().values():
            log.append(run)
        log.state("self_check", "line-2-nest-a", {"found": "nothing"})
    return path


@pytest.fixture
def copy(sound, tmp_path):
    path = tmp_path / "log.sqlite"
    shutil.copy(sound, path)
    return path


def change(path, *commands):
    with closing(sqlite3.connect(path)) as connection, connection:
        for command in commands:
            connection.execute(command)


def beside(path):
    with LogReader(path) as log:
        found = log.verify()
    assert found.fault is None
    return found.other_faults


def objects(path, kind):
    with closing(sqlite3.connect(path)) as connection:
        query = "SELECT name FROM sqlite_master WHERE type = ? AND sql IS NOT NULL"
        return [name for (name,) in connection.execute(query, (kind,))]


@pytest.mark.parametrize("name", ["schema-1.sqlite", "schema-2.sqlite"])
def test_logs_of_every_version_are_as_their_migrations_make_them(tmp_path, name):
    path = tmp_path / name
    shutil.copy(OLD_LOGS / name, path)
    assert beside(path) == ()
    with Log(path) as log:
        assert log.verify().intact


def test_each_guard_and_index_that_is_dropped_is_named(sound, tmp_path):
    path = tmp_path / "changed.sqlite"
    for kind in ("trigger", "index"):
        for name in objects(sound, kind):
            shutil.copy(sound, path)
            change(path, f"DROP {kind} {name}")
            with LogReader(path) as log, log.reading() as connection:
                assert f"the {kind} {name} is missing" in structure_faults(connection)


def test_all_of_them_are_named_at_once(copy):
    names = objects(copy, "trigger")
    change(copy, *(f"DROP TRIGGER {name}" for name in names))
    assert set(beside(copy)) == {f"the trigger {name} is missing" for name in names}


@pytest.mark.parametrize(
    ("command", "said"),
    [
        (
            "CREATE TRIGGER lost BEFORE INSERT ON statement BEGIN SELECT RAISE(IGNORE); END",
            "the trigger lost was added: no migration makes it",
        ),
        ("CREATE TABLE mine (a)", "the table mine was added: no migration makes it"),
        ("CREATE VIEW seen AS SELECT * FROM run", "the view seen was added: no migration makes it"),
        ("ALTER TABLE run ADD COLUMN mine TEXT", "the table run is another than the migrations make: "),
    ],
)
def test_what_was_added_is_named(copy, command, said):
    change(copy, command)
    (found,) = beside(copy)
    assert found.startswith(said)


def test_a_guard_that_guards_nothing_is_named(copy):
    change(
        copy,
        "DROP TRIGGER run_keeps_on_update",
        "CREATE TRIGGER run_keeps_on_update BEFORE UPDATE ON run BEGIN SELECT 1; END",
    )
    (found,) = beside(copy)
    assert found.startswith("the trigger run_keeps_on_update is another than the migrations make")


NEWEST = len(MIGRATIONS)


@pytest.mark.parametrize(
    ("command", "said"),
    [
        (
            f"DELETE FROM schema_version WHERE version = {NEWEST}",
            f"but the tables are those of 1 to {NEWEST}",
        ),
        ("DELETE FROM schema_version", "schema_version notes the migrations none, but the tables"),
        (
            "UPDATE schema_version SET software = 'something else' WHERE version = 2",
            "schema_version says of migration 2 what linecheck never writes",
        ),
        (
            "UPDATE schema_version SET applied = 'once' WHERE version = 1",
            "schema_version says of migration 1 what linecheck never writes",
        ),
    ],
)
def test_what_is_noted_of_migrations_is_verified(copy, command, said):
    with pytest.raises(sqlite3.IntegrityError, match="noted once"):
        change(copy, command)
    with closing(sqlite3.connect(copy)) as connection, connection:
        guards = connection.execute(
            "SELECT name, sql FROM sqlite_master WHERE type = 'trigger' AND tbl_name = 'schema_version'"
        ).fetchall()
        for name, _ in guards:
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute(command)
        for _, guard in guards:
            connection.execute(guard)
    (found,) = beside(copy)
    assert said in found


def test_statistics_of_sqlite_are_no_difference(copy):
    change(copy, "ANALYZE")
    assert beside(copy) == ()


def hidden(path):
    """Rebuild the index of verdicts without the fails and put its words back, as a careful hand would."""
    with closing(sqlite3.connect(path)) as connection, connection:
        (words,) = connection.execute(
            "SELECT sql FROM sqlite_master WHERE name = 'run_by_verdict'"
        ).fetchone()
        connection.execute("DROP INDEX run_by_verdict")
        connection.execute(f"{words} WHERE verdict <> 'fail'")
        connection.execute("PRAGMA writable_schema=ON")
        connection.execute("UPDATE sqlite_master SET sql = ? WHERE name = 'run_by_verdict'", (words,))


def test_an_index_that_hides_a_fail_is_found(copy):
    with LogReader(copy) as log:
        (failed,) = log.sequences(RunFilter(verdicts=(Verdict.FAIL,)), limit=10)
    hidden(copy)
    with LogReader(copy) as log:
        assert log.sequences(RunFilter(verdicts=(Verdict.FAIL,)), limit=10) == []
    found = beside(copy)
    assert f"the list of runs with the verdict fail leaves out record {failed}" in "\n".join(found)
    # SQLite's own words: https://www.sqlite.org/pragma.html#pragma_integrity_check
    assert any("missing from index run_by_verdict" in line for line in found)


def test_an_index_rebuilt_without_fails_is_named_by_its_words(copy):
    change(
        copy,
        "DROP INDEX run_by_verdict",
        "CREATE INDEX run_by_verdict ON run (verdict, sequence) WHERE verdict <> 'fail'",
    )
    assert any(
        "the index run_by_verdict is another than the migrations make" in line for line in beside(copy)
    )


def test_damage_of_an_index_is_found(copy):
    with closing(sqlite3.connect(copy)) as connection:
        (page,) = connection.execute(
            "SELECT rootpage FROM sqlite_master WHERE name = 'run_by_verdict'"
        ).fetchone()
        (size,) = connection.execute("PRAGMA page_size").fetchone()
    content = bytearray(copy.read_bytes())
    at = content.rindex(b"fail", (page - 1) * size, page * size)
    content[at : at + 4] = b"pass"
    copy.write_bytes(content)
    assert any(line.startswith("the file is damaged: ") for line in beside(copy))


@pytest.mark.parametrize(
    "trigger",
    [
        "BEFORE INSERT ON {table} BEGIN SELECT RAISE(IGNORE); END",
        "AFTER INSERT ON {table} BEGIN DELETE FROM {table} WHERE sequence = NEW.sequence; END",
    ],
)
@pytest.mark.parametrize("table", ["statement", "run"])
def test_what_the_database_drops_is_not_said_to_be_recorded(copy, table, trigger):
    change(
        copy,
        f"DROP TRIGGER {table}_keeps_on_delete",
        f"CREATE TRIGGER lost {trigger.format(table=table)}",
    )
    with Log(copy) as log:
        before = log.head()
        add = (
            (lambda: log.append(made_run()))
            if table == "run"
            else (lambda: log.state("self_check", "line-2-nest-a", {}))
        )
        with pytest.raises(RecordError, match="did not keep it as it went in") as refused:
            add()
        assert str(copy) in str(refused.value)
        assert log.head() == before


@pytest.mark.parametrize("table", ["run_check", "reading", "limits", "document"])
def test_parts_that_the_database_drops_are_missed(copy, table):
    change(copy, f"CREATE TRIGGER lost BEFORE INSERT ON {table} BEGIN SELECT RAISE(IGNORE); END")
    run = made_run(packages={"numpy": "9"})
    with Log(copy) as log:
        before = log.head()
        with pytest.raises(RecordError, match="did not keep it as it went in"):
            log.append(replace(run, limits=replace(run.limits, revision=run.limits.revision + 1)))
        assert log.head() == before
