import shutil
import sqlite3
from contextlib import closing

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_runs import made_check, made_curve, made_reading, made_run, runs_of_every_verdict

from linecheck.errors import RecordError
from linecheck.limits.verdict import Verdict
from linecheck.log import Head, Log, LogReader

TABLES = ("limits", "run", "run_check", "reading", "packed_curve", "curve_points", "problem")
RECORDS = 5


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    """Return a log of five runs that nobody has touched."""
    path = tmp_path_factory.mktemp("sound") / "log.sqlite"
    with Log(path) as log:
        for run in runs_of_every_verdict().values():
            log.append(run)
    return path


@pytest.fixture(scope="module")
def columns(sound):
    """Return every column of every table of records."""
    with closing(sqlite3.connect(sound)) as connection:
        return [
            (table, row[1], row[2])
            for table in TABLES
            for row in connection.execute(f"PRAGMA table_info({table})")
        ]


def tampered(sound, folder, *statements):
    """Return a copy of the log that someone has changed who knows how to take its guards away and put them back."""
    path = folder / "tampered.sqlite"
    shutil.copy(sound, path)
    change(path, *statements)
    return path


def change(path, *statements, guards_back=True):
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("PRAGMA ignore_check_constraints=ON")
        guards = connection.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in guards:
            connection.execute(f"DROP TRIGGER {name}")
        for statement, *values in statements:
            assert connection.execute(statement, values).rowcount != 0, statement
        for _, guard in guards if guards_back else ():
            connection.execute(guard)


def verified(path, expected=None):
    with LogReader(path) as log:
        return log.verify(expected)


def head(path):
    with LogReader(path) as log:
        return log.head()


def test_an_untouched_log_verifies(sound, tmp_path):
    found = verified(tampered(sound, tmp_path), head(sound))
    assert found.intact
    assert (found.records, found.head) == (RECORDS, head(sound))


@pytest.fixture(scope="module")
def changed_log(unguarded):
    """Return a log that is opened once for all that is done to it; each change begins with a copy."""
    path = unguarded.with_name("changed.sqlite")
    shutil.copy(unguarded, path)
    with LogReader(path) as log:
        yield log


def test_a_change_in_each_column_of_each_table_is_found(columns, unguarded, changed_log):
    new = {"INTEGER": 77, "REAL": 0.12345, "TEXT": "changed", "BLOB": b"changed!"}
    for table, column, kind in columns:
        shutil.copy(unguarded, changed_log.path)
        with closing(sqlite3.connect(changed_log.path)) as connection, connection:
            connection.execute("PRAGMA ignore_check_constraints=ON")
            connection.execute("PRAGMA synchronous=OFF")
            (key,) = connection.execute(f"SELECT max({KEYS[table]}) FROM {table}").fetchone()
            connection.execute(f"UPDATE {table} SET {column} = ? WHERE {KEYS[table]} = ?", (new[kind], key))
        assert changed_log.verify().fault is not None, (table, column)


@given(data=st.data())
@settings(max_examples=25)
def test_any_change_of_any_stored_field_is_found(sound, columns, unguarded, changed_log, data):
    table, column, kind = data.draw(st.sampled_from(columns))
    keyed = f"SELECT {KEYS[table]} AS row_key, {column} FROM {table}"
    key, old = data.draw(st.sampled_from(all_rows(sound, keyed)))
    new = data.draw(replacement(kind).filter(lambda value: value != old))
    shutil.copy(unguarded, changed_log.path)
    with closing(sqlite3.connect(changed_log.path)) as connection, connection:
        connection.execute("PRAGMA ignore_check_constraints=ON")
        connection.execute("PRAGMA synchronous=OFF")
        statement = f"UPDATE OR IGNORE {table} SET {column} = ? WHERE {KEYS[table]} = ?"
        try:
            changed = connection.execute(statement, (new, key)).rowcount
        except sqlite3.IntegrityError:
            changed = 0
    found = changed_log.verify()
    assert (found.fault is None) == (changed == 0), (table, column, old, new)


@pytest.fixture(scope="module")
def unguarded(sound, tmp_path_factory):
    path = tampered(sound, tmp_path_factory.mktemp("unguarded"))
    change(path, guards_back=False)
    return path


def all_rows(path, sql):
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(sql).fetchall()


KEYS = {
    "limits": "digest",
    "run": "sequence",
    "run_check": "sequence || '.' || position",
    "reading": "sequence || '.' || check_position || '.' || position",
    "packed_curve": "sequence || '.' || check_position || '.' || position",
    "curve_points": "sequence",
    "problem": "sequence || '.' || position",
}


def replacement(kind):
    """Return values that a column of this kind can be changed to."""
    return {
        "INTEGER": st.integers(-3, 10),
        "REAL": st.none() | st.floats(allow_nan=False),
        "TEXT": st.none()
        | st.text(max_size=3)
        | st.sampled_from(["pass", "fail", "invalid", "left", "[]", "{}"]),
        "BLOB": st.binary(max_size=24),
    }[kind]


@pytest.mark.parametrize("sequence", range(1, RECORDS + 1))
@pytest.mark.parametrize("whole", [True, False])
def test_a_removed_record_is_found(sound, tmp_path, sequence, whole):
    tables = [table for table in TABLES if table != "limits"] if whole else ["run"]
    path = tampered(
        sound,
        tmp_path,
        *(
            (f"DELETE FROM {table} WHERE sequence = ?", sequence)
            for table in tables
            if whole is False or has_rows(sound, table, sequence)
        ),
    )
    found = verified(path, head(sound))
    assert not found.intact
    assert found.sequence == sequence
    assert found.records == sequence - 1


def has_rows(path, table, sequence):
    with closing(sqlite3.connect(path)) as connection:
        return bool(connection.execute(f"SELECT 1 FROM {table} WHERE sequence = ?", (sequence,)).fetchall())


@pytest.mark.parametrize("table", ["run_check", "reading", "packed_curve", "curve_points", "problem"])
def test_a_removed_row_of_a_record_is_found(sound, tmp_path, table):
    with closing(sqlite3.connect(sound)) as connection:
        (sequence,) = connection.execute(f"SELECT max(sequence) FROM {table}").fetchone()
    found = verified(tampered(sound, tmp_path, (f"DELETE FROM {table} WHERE sequence = ?", sequence)))
    why = "it does not match its hash"
    if table == "curve_points":
        why = "the points of its curves are missing, and nobody stated that"
    assert found.fault == f"record {sequence} has been changed since it was stored: {why}"


def test_an_added_reading_is_found(sound, tmp_path):
    row = "(2, 0, 9, 'thd', 'left', -120.0, 'dB', 0.1, 'pass', 1.0, NULL, NULL, NULL, 0)"
    assert verified(tampered(sound, tmp_path, (f"INSERT INTO reading VALUES {row}",))).sequence == 2


@pytest.mark.parametrize(("one", "other"), [(1, 2), (2, 4), (1, 5)])
def test_swapped_records_are_found(sound, tmp_path, one, other):
    moves = [
        (f"UPDATE {table} SET sequence = {new} WHERE sequence = {old}",)
        for old, new in ((one, 99), (other, one), (99, other))
        for table in TABLES
        if table not in ("limits", "problem", "packed_curve", "curve_points")
    ]
    assert verified(tampered(sound, tmp_path, *moves)).sequence == one


def test_rows_moved_to_another_record_are_found(sound, tmp_path):
    swap = [
        (f"UPDATE reading SET sequence = {new} WHERE sequence = {old}",)
        for old, new in ((1, 99), (2, 1), (99, 2))
    ]
    assert verified(tampered(sound, tmp_path, *swap)).sequence == 1


def test_a_record_that_was_made_to_match_its_own_hash_breaks_the_chain(sound, tmp_path):
    # Someone who knows the format writes record 3 anew, with a hash of its own.
    forged_path = tmp_path / "forged.sqlite"
    with Log(forged_path) as log:
        for verdict, run in runs_of_every_verdict().items():
            log.append(made_run() if verdict is Verdict.FAIL else run)
    with closing(sqlite3.connect(forged_path)) as connection:
        row = connection.execute("SELECT * FROM run WHERE sequence = 3").fetchone()
    marks = ", ".join("?" * len(row))
    path = tampered(
        sound, tmp_path, ("DELETE FROM run WHERE sequence = 3",), (f"INSERT INTO run VALUES ({marks})", *row)
    )
    assert verified(path).sequence == 3


def test_a_log_written_anew_shows_against_a_noted_head(sound, tmp_path):
    path = tmp_path / "anew.sqlite"
    with Log(path) as log:
        for _ in range(RECORDS + 2):
            log.append(made_run())
        assert log.verify().intact
        found = log.verify(head(sound))
    assert found.fault == f"record {RECORDS} is not the one that was noted: the log was written anew"


def test_a_cut_tail_shows_against_a_noted_head(sound, tmp_path):
    cut = [
        (f"DELETE FROM {table} WHERE sequence > 3",) for table in ("problem", "reading", "run_check", "run")
    ]
    path = tampered(sound, tmp_path, *cut)
    assert verified(path).intact
    found = verified(path, head(sound))
    assert found.sequence == 4
    assert found.fault.startswith("the log ends with record 3, but record 5 was noted")
    assert "2 of them at least" in found.fault


def test_a_carelessly_cut_tail_shows_by_itself(sound, tmp_path):
    found = verified(tampered(sound, tmp_path, ("DELETE FROM run WHERE sequence > 3",)))
    assert found.fault == "record 4 is missing: some of its checks are there, the run itself is not"


def test_a_log_that_has_grown_verifies_against_an_older_head(sound, tmp_path):
    noted = head(sound)
    path = tampered(sound, tmp_path)
    with Log(path) as log:
        log.append(made_run())
        found = log.verify(noted)
    assert found.intact
    assert found.head.sequence == RECORDS + 1


def test_a_head_of_an_empty_log_verifies_against_any_log(sound):
    assert verified(sound, Head(0, "0" * 64)).intact


def test_changed_limits_are_found(sound, tmp_path):
    looser = ("UPDATE limits SET content = replace(content, '112.0', '102.0')",)
    found = verified(tampered(sound, tmp_path, looser))
    assert found.fault == "the limits that record 1 was judged by have been changed since they were stored"


def test_text_that_is_no_text_is_found(sound, tmp_path):
    path = tampered(sound, tmp_path, ("UPDATE run SET operator = CAST(x'ff41' AS TEXT) WHERE sequence = 2",))
    assert verified(path).sequence == 2


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE run SET verdict = 'splendid' WHERE sequence = 1",
        "UPDATE run_check SET setup = 'no json' WHERE sequence = 1",
        "UPDATE curve_points SET content = x'00' WHERE sequence = 1",
    ],
)
def test_a_changed_record_that_cannot_be_understood_is_no_traceback(sound, tmp_path, statement):
    path = tampered(sound, tmp_path, (statement,))
    with LogReader(path) as log, pytest.raises(RecordError, match="log verify"):
        list(log.show("PR3-004711"))
    assert verified(path).sequence == 1


def test_a_damaged_file_is_named_as_damaged(tmp_path):
    path = tmp_path / "log.sqlite"
    with Log(path) as log:
        for _ in range(20):
            log.append(made_run(made_check(made_reading(), made_curve(points=500))))
    content = bytearray(path.read_bytes())
    for page in range(20, len(content) // 4096 - 1):
        content[page * 4096 : page * 4096 + 100] = b"\xff" * 100
    path.write_bytes(content)
    with pytest.raises(RecordError, match="the database is damaged: keep the file"):
        verified(path)


def test_verifying_tells_how_far_it_is(sound):
    told = []
    with LogReader(sound) as log:
        log.verify(progress=told.append)
    assert told[-1] == RECORDS


@pytest.mark.usefixtures("usual_collection")
def test_verifying_takes_little_memory(tmp_path):
    import tracemalloc

    path = tmp_path / "log.sqlite"
    heavy = made_check(made_curve(points=20_000))
    with Log(path) as log:
        for _ in range(100):
            log.append(made_run(heavy))
        tracemalloc.start()
        assert log.verify().records == 100
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
    # All of it is 32 MB.
    assert peak < 16e6
