"""A log of schema 2, as the code before lots, assets and gates wrote it: read as it is, migrated with a copy kept."""

import hashlib
import os
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from made_runs import made_run

from linecheck.log import Head, Log, LogReader, RunFilter, migrate
from linecheck.run.facts import Asset
from linecheck.run.model import SettingStep

pytestmark = pytest.mark.every_python

OLD = Path(__file__).parent / "logs" / "schema-2.sqlite"
#: As the code of that day printed it.
HEAD = Head(10, "470a36780c7942a51bfa8d68e0957dd1ee30205e95f383acf001240b64966908")


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "log.sqlite"
    shutil.copy(OLD, path)
    return path


def version(path):
    with closing(sqlite3.connect(path)) as connection:
        return connection.execute("SELECT max(version) FROM schema_version").fetchone()[0]


def assert_reads_as_of_old(path):
    with LogReader(path) as log:
        assert log.head() == HEAD
        assert log.verify(HEAD).records == 10
        assert log.verify(HEAD).intact
        assert [run.logged.sequence for run in log.runs()] == [9, 7, 6, 5, 4, 3, 2, 1]
        record = log.record(7)
        assert record.settings == (
            SettingStep("filter", "slow", "command", True, 0.25, "tone", "filter is slow"),
            SettingStep("input", "usb", "operator", False, 3.5, "tone", "nobody answered"),
        )
        assert [item.reading.is_bound for item in record.checks[0].judged.readings] == [True]
        assert (record.purpose, record.lot, record.assets, record.logged.record_format) == (
            "unit",
            None,
            (),
            2,
        )
        (signoff,) = log.signoffs()
        assert (signoff.sequence, signoff.signature.reason) == (8, "No audible loss.")
        assert [other.signature.reason for other in signoff.countersignatures] == ["It clicks."]
        assert log.find("PR3-000002") == 9
        assert log.runs(RunFilter(purpose="golden", facts={"lot": "L-7"})) == ()
        assert log.assets() == ()


def test_reading_it_does_not_change_it(path):
    before = hashlib.sha256(path.read_bytes()).hexdigest()
    assert_reads_as_of_old(path)
    assert hashlib.sha256(path.read_bytes()).hexdigest() == before
    assert os.listdir(path.parent) == [path.name]


def test_it_is_migrated_with_a_copy_kept(path):
    with Log(path) as log:
        assert log.verify(HEAD).records == 10
        assert log.record(7).logged.record_format == 2
        trace = {
            "purpose": "golden",
            "lot": "L-7",
            "assets": (Asset("cable", "CB-12"),),
            "packages": {"numpy": "2"},
        }
        assert log.append(made_run(**trace)).sequence == 11
        record = log.record(11)
        assert {name: getattr(record, name) for name in trace} == trace
        assert log.verify(HEAD).records == 11
        assert [known.asset for known in log.assets()] == ["CB-12"]
    assert version(path) == len(migrate.MIGRATIONS)
    copy = path.with_name("log.schema-2.sqlite")
    assert sorted(os.listdir(path.parent)) == [copy.name, path.name]
    assert version(copy) == 2
    assert_reads_as_of_old(copy)
    with Log(path):
        pass
    assert sorted(os.listdir(path.parent)) == [copy.name, path.name]


@pytest.mark.parametrize(
    ("statement", "sequence"),
    [
        ("UPDATE reading SET is_bound = 0 WHERE sequence = 7", 7),
        ("UPDATE run SET settings = '[{}]' WHERE sequence = 9", 9),
        ("UPDATE statement SET content = replace(content, 'clicks', 'hums') WHERE sequence = 10", 10),
        ("UPDATE run SET operator = 'nobody' WHERE sequence = 3", 3),
    ],
)
def test_what_was_changed_in_it_shows_before_and_after(path, statement, sequence):
    with closing(sqlite3.connect(path)) as connection, connection:
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        assert connection.execute(statement).rowcount == 1
    with LogReader(path) as log:
        assert log.verify().sequence == sequence
    with Log(path) as log:
        assert log.verify().sequence == sequence
