"""Causes in a record: they come back as they were, stand in exports and at the server, and cannot be changed unseen."""

import csv
import io
import json
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from failed_runs import failed_run, told_causes
from sent_logs import same_rows, sent
from small_run import call

from linecheck.log import Log, LogReader
from linecheck.log.chain import RECORD_FORMAT
from linecheck.run.causes import causes_of

EARLIER = Path(__file__).parents[1] / "earlier" / "files" / "schema-5.sqlite"
RANKED = (("ground_loop+missing_leg", 0.5600000000000001), ("supply_hum", 0.25), ("none_of_these", 0.19))


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "log.sqlite"
    with Log(path) as log:
        log.append(failed_run(*RANKED))
    return path


def changed(path, statement):
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("DROP TRIGGER run_keeps_on_update")
        assert connection.execute(statement).rowcount == 1
    with LogReader(path) as log:
        return log.verify().fault


def test_they_come_back_as_they_were(path):
    with LogReader(path) as log:
        assert causes_of(log.record(1)) == told_causes(*RANKED)
        assert causes_of(log.runs()[0]) == told_causes(*RANKED)
        assert (log.record(1).logged.record_format, log.verify().intact) == (RECORD_FORMAT, True)


@pytest.mark.parametrize("value", ["replace(causes, 'supply_hum', 'ground_hum')", "NULL", "'{}'"])
def test_causes_that_were_changed_or_taken_away_are_noticed(path, value):
    assert changed(path, f"UPDATE run SET causes = {value}") == (
        "record 1 has been changed since it was stored: it does not match its hash"
    )


@pytest.mark.parametrize(
    "value",
    [
        '{"priors": 1, "findings": 0, "ranked": []}',
        '{"priors": 1, "findings": 0, "ranked": "none"}',
        '["ranked"]',
        '"ranked"',
        json.dumps({**failed_run().causes, "findings": float("nan")}),
        json.dumps({**failed_run().causes, "ranked": [{**failed_run().causes["ranked"][0], "text": None}]}),
    ],
)  # fmt: skip
def test_what_was_put_in_place_of_causes_is_none(path, monkeypatch, capsys, value):
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("DROP TRIGGER run_keeps_on_update")
        connection.execute("UPDATE run SET causes = ?", (value,))
    with LogReader(path) as log:
        assert causes_of(log.record(1)) is None
    for command in (("causes", "--json", "--odds"), ("show", "1"), ("causes",)):
        status, out, err = call(monkeypatch, capsys, "log", *command, "--log", path)
        assert (status, err) == (0, ""), command
    assert out == "no such run in the log says what may be broken\n"


def test_causes_that_were_put_into_an_older_record_are_noticed(tmp_path):
    path = tmp_path / "log.sqlite"
    shutil.copy(EARLIER, path)
    with Log(path) as log:
        assert log.verify().intact
    assert "record 14 has been changed" in changed(path, "UPDATE run SET causes = '{}' WHERE sequence = 14")


def test_an_export_has_them_as_json(path, monkeypatch, capsys):
    exported = ("log", "export", "--log", path, "--to", "-", "--format")
    expected = json.loads(json.dumps(told_causes(*RANKED).as_fact()))
    _, out, _ = call(monkeypatch, capsys, *exported, "jsonl")
    assert json.loads(out)["causes"] == expected
    _, out, _ = call(monkeypatch, capsys, *exported, "csv")
    (row,) = csv.DictReader(io.StringIO(out))
    assert json.loads(row["causes"]) == expected


def test_the_server_has_them_as_they_are(path, postgres):
    with postgres.lent() as url:
        assert sent(path, url).runs == 1
        assert same_rows(path, url) == 1
