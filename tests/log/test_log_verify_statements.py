"""Verification of a log that holds all there can be: runs of every record format, and statements among them."""

import shutil
import sqlite3
import struct
from contextlib import closing
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from failed_runs import told_causes
from hypothesis import given, settings
from hypothesis import strategies as st
from made_comparisons import made_comparison
from made_runs import made_check, made_curve, made_reading, made_run
from station_keys import made_keys

from linecheck.checks.base import Problem
from linecheck.history.comparison.file import sign
from linecheck.log import Log, LogReader
from linecheck.log.chain import RECORD_FORMAT
from linecheck.log.signoff import signature
from linecheck.log.station_key import SignedBy, StationKey
from linecheck.run.facts import Asset
from linecheck.run.model import SettingStep

#: Six runs of format 1, then of format 2 a run, a sign-off, a run and a countersignature.
OLD = Path(__file__).parent / "logs" / "schema-2.sqlite"
#: And of format 3 a run and a sign-off.
STATEMENTS = (8, 10, 12)
RECORDS = 12
TABLES = (
    "limits",
    "document",
    "run",
    "run_check",
    "reading",
    "curve",
    "packed_curve",
    "curve_points",
    "problem",
    "run_asset",
    "statement",
)
KEYS = {
    "limits": "digest",
    "document": "digest",
    "run": "sequence",
    "run_check": "sequence || '.' || position",
    "reading": "sequence || '.' || check_position || '.' || position",
    "curve": "sequence || '.' || check_position || '.' || position",
    "packed_curve": "sequence || '.' || check_position || '.' || position",
    "curve_points": "sequence",
    "problem": "sequence || '.' || position",
    "run_asset": "sequence || '.' || position",
    "statement": "sequence",
}


def signed(by):
    return signature(by=by, role="QA engineer", decision="accept", reason="No audible loss.")


TRACE = {
    "purpose": "study",
    "study": "9c37cebeb5459416",
    "scanned": "]C1PR3-004711",
    "variant": "black",
    "lot": "L-7",
    "work_order": "W-12",
    "shift": "early",
    "nest": "b",
    "reason": "reseated",
    "override": {"by": "A. Engineer", "code": "trial"},
    "identity": {"firmware": "1.4.2"},
    "conditions": {"temperature_celsius": "23.5"},
    "host": {"name": "bench-1"},
    "clock": {"synchronised": True, "offset_seconds": 0.001},
    "source_commit": "ab" * 20,
    "packages": {"numpy": "2.0.1"},
    "plan_sha256": "9f" * 32,
    "gates": {"golden": {"state": "met"}},
    "assets": (Asset("cable", "CB-12", {"due": "2027-01-31"}), Asset("interface", "IF-1", {})),
    "captures": {"tone": "objects/aa.flac"},
    "captures_why": "golden units are kept",
    "released": False,
    "loop": "checked 2026-11-29 07:10 UTC in record 12",
    "causes": told_causes().as_fact(),
}


def new_run():
    bound = made_reading(value=125.0)
    bound = replace(bound, reading=replace(bound.reading, is_bound=True))
    explained = Problem("reason", "the filter was set by hand", blocks=False)
    step = SettingStep("filter", "slow", "command", True, 0.25, "tone", "filter is slow")
    curve = made_curve(uncertainty=np.full(5, 0.25), fail_limit=-100.0)
    other = replace(curve, curve=replace(curve.curve, channel="right"))
    check = made_check(bound, curve, other, problems=(explained,))
    return made_run(check, settings=(step,), **TRACE)


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    path = tmp_path_factory.mktemp("sound") / "log.sqlite"
    shutil.copy(OLD, path)
    with Log(path, key=StationKey(made_keys(path.parent)[0])) as log:
        log.append(new_run())
        sign(log, made_comparison(), signed("Q. Engineer"))
    return path


@pytest.fixture(scope="module")
def unguarded(sound, tmp_path_factory):
    path = tmp_path_factory.mktemp("unguarded") / "log.sqlite"
    shutil.copy(sound, path)
    change(path, *unguarding(path))
    return path


@pytest.fixture
def copy(unguarded, tmp_path):
    path = tmp_path / "tampered.sqlite"
    shutil.copy(unguarded, path)
    return path


def unguarding(path):
    with closing(sqlite3.connect(path)) as connection:
        names = connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall()
    return [(f"DROP TRIGGER {name}",) for (name,) in names]


def change(path, *statements):
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("PRAGMA ignore_check_constraints=ON")
        connection.execute("PRAGMA synchronous=OFF")
        for statement, *values in statements:
            assert connection.execute(statement, values).rowcount != 0, statement


def verified(path, expected=None):
    with LogReader(path) as log:
        return log.verify(expected)


def noted(path):
    with LogReader(path) as log:
        return log.head()


def rows(path, sql, *values):
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute(sql, values).fetchall()


def test_all_of_it_verifies_before_it_is_changed(sound, unguarded):
    assert rows(sound, "SELECT record_format, count(*) FROM run GROUP BY 1") == [
        (1, 6),
        (2, 2),
        (RECORD_FORMAT, 1),
    ]
    assert rows(sound, "SELECT record_format, count(*) FROM statement GROUP BY 1") == [
        (2, 2),
        (RECORD_FORMAT, 1),
    ]
    nothing = [
        (table, column)
        for table in TABLES
        if table != "curve"  # of the old records alone
        for (column,) in rows(sound, "SELECT name FROM pragma_table_info(?)", table)
        if not rows(sound, f"SELECT 1 FROM {table} WHERE {column} IS NOT NULL")
    ]
    assert nothing == []
    assert verified(sound).intact
    for path in (sound, unguarded):
        found = verified(path, noted(sound))
        assert found.fault is None
        assert (found.records, found.head.sequence) == (RECORDS, RECORDS)


def every_field(path):
    """Return every stored field: table, key of the row, column."""
    fields = []
    for table in TABLES:
        columns = [row[0] for row in rows(path, "SELECT name FROM pragma_table_info(?)", table)]
        keys = [row[0] for row in rows(path, f"SELECT {KEYS[table]} FROM {table}")]
        fields += [(table, key, column) for key in keys for column in columns]
    return fields


@pytest.fixture(scope="module")
def fields(sound):
    return every_field(sound)


def with_one_byte_changed(old, draw):
    """Return a stored value in which one byte is another; NULL becomes a byte."""
    if old is None:
        return draw(st.sampled_from([0, 1, 0.5, b"x", "x"]))
    form = {int: "<q", float: "<d"}.get(type(old))
    content = bytearray(struct.pack(form, old) if form else old.encode() if isinstance(old, str) else old)
    if not content:
        return "x" if isinstance(old, str) else b"x"
    content[draw(st.integers(0, len(content) - 1))] ^= draw(st.integers(1, 255))
    return struct.unpack(form, content)[0] if form else bytes(content)


@pytest.fixture(scope="module")
def changed_log(unguarded):
    """Return a log that is opened once for all that is done to it; each example begins with a copy."""
    path = unguarded.with_name("changed.sqlite")
    shutil.copy(unguarded, path)
    with LogReader(path) as log:
        yield log


@pytest.fixture(scope="module")
def signed_by(tmp_path_factory):
    return SignedBy.files([made_keys(tmp_path_factory.mktemp("keys"))[1]], first=11)


@given(data=st.data())
@settings(max_examples=50)
def test_any_change_of_a_byte_of_any_field_is_found(unguarded, fields, changed_log, signed_by, data):
    table, key, column = data.draw(st.sampled_from(fields))
    where = f"FROM {table} WHERE {KEYS[table]} = ?"
    ((old, kind),) = rows(unguarded, f"SELECT {column}, typeof({column}) {where}", key)
    new = with_one_byte_changed(old, data.draw)
    path = unguarded.with_name("changed.sqlite")
    shutil.copy(unguarded, path)
    as_text = f"CAST(? AS {'TEXT' if kind == 'text' else 'BLOB'})" if isinstance(new, bytes) else "?"
    with closing(sqlite3.connect(path)) as connection:
        connection.execute("PRAGMA ignore_check_constraints=ON")
        connection.execute("PRAGMA synchronous=OFF")
        connection.text_factory = bytes
        before = connection.execute(f"SELECT * FROM {table} ORDER BY {KEYS[table]}").fetchall()
        try:
            with connection:
                connection.execute(
                    f"UPDATE {table} SET {column} = {as_text} WHERE {KEYS[table]} = ?", (new, key)
                )
        except sqlite3.IntegrityError:
            pass
        changed = connection.execute(f"SELECT * FROM {table} ORDER BY {KEYS[table]}").fetchall() != before
    found = changed_log.verify(signed_by=signed_by)
    assert (found.fault is not None) == changed, (table, key, column, old, new)
    if changed:
        assert found.sequence == first_bad(unguarded, table, key, column, new), (table, key, column, old, new)
        assert found.records == found.sequence - 1


def first_bad(path, table, key, column, new):
    """Return which record is the first that a change makes another one."""
    if table in ("limits", "document"):
        noted_in = {"limits": "limits_digest", "document": "packages_digest"}[table]
        return rows(path, f"SELECT min(sequence) FROM run WHERE {noted_in} = ?", key)[0][0]
    sequence = int(str(key).partition(".")[0])
    # A row that was moved to an earlier record changes that one too; a record before all others is the first.
    if column != "sequence" or (table not in ("run", "statement") and new < 1):
        return sequence
    return min(sequence, max(new, 1))


def test_what_is_put_into_a_later_column_of_an_old_record_is_found(copy):
    change(copy, ("UPDATE reading SET is_bound = 1 WHERE sequence = 6",))
    assert verified(copy).sequence == 6
    change(copy, ("UPDATE reading SET is_bound = 0 WHERE sequence = 6",))
    assert verified(copy).sequence == 6
    change(copy, ("UPDATE run SET settings = '[]' WHERE sequence = 2",))
    assert verified(copy).sequence == 2


@pytest.mark.parametrize("sequence", [2, 9])
@pytest.mark.parametrize(
    "statement",
    [
        *(
            f"UPDATE run SET {name} = 'unit' WHERE sequence = ?"
            for name in ("purpose", "lot", "override", "host", "gates", "packages_digest", "captures_why")
        ),
        "UPDATE run_check SET capture_object = 'objects/aa.flac' WHERE sequence = ?",
        "INSERT INTO run_asset VALUES (?, 0, 'cable', 'CB-12', '{}')",
    ],
)
def test_what_came_with_format_3_cannot_be_put_into_an_older_record(copy, sequence, statement):
    change(copy, (statement, sequence))
    found = verified(copy)
    assert (found.sequence, found.fault) == (
        sequence,
        f"record {sequence} has been changed since it was stored: it does not match its hash",
    )


@pytest.mark.parametrize(
    ("statement", "fault"),
    [
        (
            "UPDATE run_asset SET asset = 'CB-13' WHERE sequence = 11 AND position = 0",
            "does not match its hash",
        ),
        ("DELETE FROM run_asset WHERE sequence = 11 AND position = 1", "does not match its hash"),
        ("UPDATE run_asset SET position = 7 WHERE sequence = 11 AND position = 0", "does not match its hash"),
        ("INSERT INTO run_asset VALUES (11, 2, 'cable', 'CB-14', '{}')", "does not match its hash"),
        (
            "UPDATE document SET content = replace(content, '2.0.1', '2.0.2')",
            "the packages that record 11 was made with",
        ),
        ("DELETE FROM document", "the packages that record 11 was made with"),
        ("UPDATE run SET purpose = 'unit' WHERE sequence = 11", "does not match its hash"),
        ("UPDATE run SET override = '{}' WHERE sequence = 11", "does not match its hash"),
    ],
)
def test_what_came_with_format_3_cannot_be_changed(copy, statement, fault):
    change(copy, (statement,))
    found = verified(copy)
    assert found.sequence == 11
    assert fault in found.fault


@pytest.mark.parametrize("table", ["run_asset", "document"])
def test_a_table_of_format_3_that_was_removed_is_found(copy, table):
    with closing(sqlite3.connect(copy)) as connection, connection:
        connection.execute(f"DROP TABLE {table}")
    assert verified(copy).sequence == 11


def test_a_record_cannot_be_made_an_older_one(copy):
    change(copy, ("UPDATE run SET record_format = 1, settings = NULL WHERE sequence = 7",))
    assert verified(copy).sequence == 7
    change(
        copy,
        ("UPDATE statement SET record_format = 1 WHERE sequence = 8",),
        ("DELETE FROM run WHERE sequence = 7",),
    )
    assert verified(copy).sequence == 7


@pytest.mark.parametrize("sequence", STATEMENTS)
def test_a_removed_statement_is_found(sound, copy, sequence):
    change(copy, ("DELETE FROM statement WHERE sequence = ?", sequence))
    found = verified(copy, noted(sound))
    assert (found.sequence, found.records) == (sequence, sequence - 1)
    if sequence < RECORDS:
        assert f"record {sequence} is missing" in found.fault
        assert verified(copy).fault is not None
    else:
        assert found.fault.startswith("the log ends with record 11, but record 12 was noted")


def test_an_inserted_statement_is_found(copy):
    columns = (
        "record_format, kind, subject, recorded, content, previous_hash, record_hash, NULL FROM statement"
    )
    change(copy, (f"INSERT INTO statement SELECT 13, {columns} WHERE sequence = 12",))
    assert verified(copy).sequence == 13
    change(copy, (f"INSERT INTO statement SELECT 9, {columns} WHERE sequence = 8",))
    found = verified(copy)
    # Which of the two comes first is no matter: either the number is there twice, or the hash does not match.
    assert found.sequence in (9, 10)
    assert found.fault is not None


def test_a_number_that_is_there_twice_across_a_batch_is_found(unguarded, tmp_path):
    path = tmp_path / "long.sqlite"
    with Log(path) as log:
        for _ in range(16):
            log.append(made_run())
        sign(log, made_comparison(), signed("Q. Engineer"))
    change(path, *unguarding(path))
    assert verified(path).fault is None
    columns = (
        "record_format, kind, subject, recorded, content, previous_hash, record_hash, NULL FROM statement"
    )
    change(path, (f"INSERT INTO statement SELECT 16, {columns}",))
    assert verified(path).fault == "record 16 is there twice: one of them was inserted"


def test_moved_statements_are_found(copy):
    moves = [
        (f"UPDATE statement SET sequence = {new} WHERE sequence = {old}",)
        for old, new in ((8, 99), (10, 8), (99, 10))
    ]
    change(copy, *moves)
    assert verified(copy).sequence == 8


def test_a_statement_in_the_place_of_a_run_is_found(copy):
    change(
        copy,
        ("UPDATE run SET sequence = 99 WHERE sequence = 9",),
        ("UPDATE statement SET sequence = 9 WHERE sequence = 8",),
    )
    assert verified(copy).sequence == 8


def test_parts_of_a_run_under_a_statements_number_are_found(copy):
    change(copy, ("UPDATE problem SET sequence = 8 WHERE sequence = 11",))
    found = verified(copy)
    assert found.sequence == 8
    assert found.fault == "record 8 is no run, but readings or other parts of a run were put under its number"


def test_a_statement_written_anew_with_a_hash_of_its_own_breaks_the_chain(copy, tmp_path):
    # Someone who knows the format writes the first sign-off anew.
    forged = tmp_path / "forged.sqlite"
    shutil.copy(copy, forged)
    everything = ("DELETE FROM statement", "DELETE FROM document", "DELETE FROM run WHERE sequence > 7")
    change(forged, *((statement,) for statement in everything))
    for table in ("reading", "curve", "curve_points", "packed_curve", "problem", "run_asset", "run_check"):
        change(forged, (f"DELETE FROM {table} WHERE sequence > 7",))
    with Log(forged) as log:
        sign(log, made_comparison(), signed("Somebody Else"))
        assert log.verify().fault is None
    ((*row,),) = rows(forged, "SELECT * FROM statement")
    marks = ", ".join("?" * len(row))
    change(
        copy, ("DELETE FROM statement WHERE sequence = 8",), (f"INSERT INTO statement VALUES ({marks})", *row)
    )
    found = verified(copy)
    assert found.sequence == 9
    assert "does not continue record 8" in found.fault


@pytest.mark.parametrize("table", ["limits", "document"])
def test_contents_that_no_record_refers_to_are_found(copy, table):
    change(copy, (f"INSERT INTO {table} VALUES ('{'0' * 64}', '{{}}')",))
    found = verified(copy)
    what = {"limits": "limits", "document": "packages"}[table]
    assert (
        found.fault == f"{what} are there that no record refers to: they were put in, or records were cut off"
    )
    assert (found.records, found.sequence) == (RECORDS, None)


def renumbered(copy, *moves):
    """Give records other numbers, with all that belongs to them."""
    for old, new in moves:
        for table in (
            "statement",
            "run",
            "run_check",
            "reading",
            "curve",
            "packed_curve",
            "curve_points",
            "problem",
            "run_asset",
        ):
            if rows(copy, f"SELECT 1 FROM {table} WHERE sequence = ?", old):
                change(copy, (f"UPDATE {table} SET sequence = ? WHERE sequence = ?", new, old))


def written_in_order(path, order):
    """Write a log's records anew in this order of their numbers, each under the number of its place."""
    tables = (
        "run",
        "statement",
        "run_check",
        "reading",
        "curve",
        "packed_curve",
        "curve_points",
        "problem",
        "run_asset",
    )
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("PRAGMA ignore_check_constraints=ON")
        connection.execute("PRAGMA synchronous=OFF")
        for table in tables:
            names = [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]
            stored = connection.execute(f"SELECT * FROM {table} ORDER BY {KEYS[table]}").fetchall()
            connection.execute(f"DELETE FROM {table}")
            seen = set()
            for place, number in enumerate(order, start=1):
                for values in stored:
                    row = dict(zip(names, values, strict=True))
                    if row["sequence"] == number:
                        if table == "run" and number in seen:
                            # No two runs have one id, or are one attempt.
                            row |= {"run_id": f"another {place}", "attempt": 1000 + place}
                        row["sequence"] = place
                        marks = ", ".join("?" * len(names))
                        connection.execute(f"INSERT INTO {table} VALUES ({marks})", tuple(row.values()))
                seen.add(number)


@given(data=st.data())
@settings(max_examples=20)
def test_records_that_were_removed_inserted_or_moved_are_found(sound, unguarded, changed_log, data):
    order = list(range(1, RECORDS + 1))
    for what in data.draw(
        st.lists(st.sampled_from(["remove", "insert", "move", "cut"]), min_size=1, max_size=3)
    ):
        at = data.draw(st.integers(0, len(order) - 1))
        if what == "cut":
            del order[max(at, 1) :]
        elif what == "insert":
            order.insert(at, data.draw(st.sampled_from(order)))
        elif len(order) > 1:
            number = order.pop(at)
            if what == "move":
                order.insert(data.draw(st.integers(0, len(order))), number)
    shutil.copy(unguarded, changed_log.path)
    written_in_order(changed_log.path, order)
    found = changed_log.verify(noted(sound))
    wrong = [place for place, number in enumerate(order, start=1) if place != number]
    if wrong:
        assert (found.sequence, found.records) == (wrong[0], wrong[0] - 1), (order, found)
    elif len(order) < RECORDS:
        assert (found.sequence, found.records) == (len(order) + 1, len(order)), (order, found)
        assert "records were cut off at its end" in found.fault
    else:
        assert found.fault is None


def test_records_that_changed_places_are_said_to_have(copy):
    renumbered(copy, (7, 99), (9, 7), (99, 9))
    found = verified(copy)
    assert (found.sequence, found.fault) == (
        7,
        "record 7 was stored as record 9: records were removed, inserted or moved here",
    )


def test_a_removed_record_whose_place_was_closed_is_found(copy):
    for table in ("run_check", "reading", "curve", "packed_curve", "curve_points", "problem", "run"):
        if rows(copy, f"SELECT 1 FROM {table} WHERE sequence = 9"):
            change(copy, (f"DELETE FROM {table} WHERE sequence = 9",))
    renumbered(copy, (10, 9), (11, 10), (12, 11))
    found = verified(copy)
    assert (found.sequence, found.fault) == (
        9,
        "record 9 was stored as record 10: records were removed, inserted or moved here",
    )


def test_a_table_of_statements_that_was_removed_is_found(sound, copy):
    with closing(sqlite3.connect(copy)) as connection, connection:
        connection.execute("DROP TABLE statement")
    assert verified(copy).fault == "record 8 is missing: the next one there is record 9"
    assert verified(copy, noted(sound)).sequence == 8
