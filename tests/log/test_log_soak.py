"""A short soak of the log and the server (the long one: tests/soak_log.py), and what it would find."""

import shutil
import sqlite3
from contextlib import closing

import psycopg
import pytest
from postgres_server import PostgresServer
from soak_log import Soak, faults_of_the_log, faults_of_the_server

pytestmark = pytest.mark.soak


@pytest.fixture(scope="module")
def soaked(tmp_path_factory):
    with PostgresServer() as server:
        soak = Soak(tmp_path_factory.mktemp("soak"), runs=30, seed=20261126, server=server, pace=4.0)
        yield soak, soak.run()


def test_nothing_is_lost_or_double_and_every_row_arrives(soaked):
    _, summary = soaked
    assert summary.faults == []
    assert summary.records >= summary.acknowledged >= 30
    assert summary.kills["nest"]
    assert summary.kills["server"] + summary.kills["sync"]


def test_a_lost_record_and_a_changed_one_are_found(soaked, tmp_path):
    soak, _ = soaked
    shutil.copy(soak.log, tmp_path / "log.sqlite")
    said = {**soak.acknowledged, 99_999: ("nobody", "00")}
    (fault,) = faults_of_the_log(tmp_path / "log.sqlite", said)
    assert fault == "record 99999 was acknowledged as ('nobody', '00') and is None"
    with closing(sqlite3.connect(tmp_path / "log.sqlite")) as log, log:
        log.execute("DROP TRIGGER reading_keeps_on_update")
        log.execute("UPDATE reading SET value = value + 1e-9 WHERE sequence = 7 AND value IS NOT NULL")
    (fault,) = faults_of_the_log(tmp_path / "log.sqlite", soak.acknowledged)
    assert "record 7 has been changed" in fault


def test_a_row_that_the_server_lacks_or_has_otherwise_is_found(soaked):
    soak, _ = soaked
    with psycopg.connect(soak.url) as server:
        for table in ("reading", "packed_curve"):
            server.execute(f"ALTER TABLE linecheck.{table} DISABLE TRIGGER ALL")
        server.execute(
            "UPDATE linecheck.reading SET value = value + 1e-9 WHERE sequence = 7 AND metric = 'thd'"
        )
        server.execute(
            "DELETE FROM linecheck.packed_curve WHERE sequence = (SELECT max(sequence) FROM linecheck.packed_curve)"
        )
    found = "\n".join(faults_of_the_server(soak.log, soak.url))
    assert "of reading differs at the server in value" in found
    assert "the server lacks row" in found
    assert "of packed_curve" in found
    assert "the server's check" in found
