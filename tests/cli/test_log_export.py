import csv
import io
import json
import os
import sqlite3
import sys
from contextlib import closing
from dataclasses import replace

import forked_linecheck as forked
import numpy as np
import pytest
from made_runs import made_check, made_curve, made_run, runs_of_every_verdict
from pyarrow import parquet

from linecheck.cli.log import export as log_export
from linecheck.log import Log
from linecheck.log.export.tables import TABLES

pytestmark = pytest.mark.every_python


@pytest.fixture
def path(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "results" / "linecheck.sqlite"
    with Log(path) as log:
        for run in runs_of_every_verdict().values():
            log.append(run)
        log.append(made_run(serial="=cmd|' /C calc'!A0"))
    return path


def test_what_is_offered_is_what_there_is():
    (what,) = (option for option in log_export.export_command.params if option.name == "what")
    assert list(what.type.choices) == list(TABLES)


def test_a_file_is_written_as_its_name_ends(linecheck, path):
    for name in ("runs.csv", "runs.JSONL", "deep/runs.parquet"):
        status, out, err = linecheck("log", "export", "--to", name)
        assert (status, out, err) == (0, "", f"linecheck: 6 rows written to {name}\n")
    with open("runs.JSONL", encoding="utf-8") as file:
        assert len(file.readlines()) == 6
    assert parquet.read_table("deep/runs.parquet").num_rows == 6
    with open("runs.csv", newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert [row["verdict"] for row in rows[:5]] == ["pass", "marginal", "fail", "invalid", "aborted"]
    assert rows[5]["serial"] == "'=cmd|' /C calc'!A0"
    assert sorted(os.listdir()) == ["deep", "results", "runs.JSONL", "runs.csv"]


def test_standard_output(linecheck, path):
    _, out, err = linecheck(
        "log", "export", "--to", "-", "--format", "jsonl", "--what", "readings", "--failed", "tone"
    )
    assert err == ""
    assert [json.loads(line)["value"] for line in out.splitlines()] == [105.3]
    status, out, _ = forked.run(".", "log", "export", "--to", "-", "--format", "parquet", "--log", path)
    assert (status, parquet.read_table(io.BytesIO(out)).num_rows) == (0, 6)


def test_a_reader_that_goes_away_is_said_once(path):
    reading, writing = os.pipe()
    os.close(reading)
    export = ("log", "export", "--what", "curves", "--to", "-", "--format", "csv", "--log", path)
    status, _, err = forked.run(".", *export, stdout=writing, text=True)
    os.close(writing)
    assert (status, err) == (3, "linecheck: standard output cannot be written: Broken pipe\n")


def test_columns_are_explained(linecheck, path):
    _, out, _ = linecheck("log", "export", "--columns", "--what", "readings", "--log", "nowhere")
    lines = out.splitlines()
    assert [line.split()[0] for line in lines] == [
        "column",
        *(column.name for column in TABLES["readings"].columns),
    ]
    assert "standard uncertainty (k = 1), in that unit" in out


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        ((), "--to: say where to"),
        (("--to", "runs.xls"), "--format: say how it is to be written: csv, "),
        (("--to", "-"), "--format: say how"),
        (("--to", "results", "--format", "csv"), "it is a folder"),
        (("--to", "results/linecheck.sqlite", "--format", "csv"), "--to: is the log itself"),
        (("--to", "x.csv", "--log", "nowhere.sqlite"), "there is no log of that name"),
        (("--to", "x.csv", "--since", "soon"), "is no date and no time"),
    ],
)
def test_what_cannot_be_done_is_said(linecheck, path, arguments, reason):
    before = sorted(os.listdir())
    status, out, err = linecheck("log", "export", *arguments)
    assert (status, out) == (2, "")
    assert reason in err
    assert sorted(os.listdir()) == before


def test_a_log_that_cannot_be_understood_leaves_the_file_as_it_was(linecheck, path):
    with open("readings.csv", "w", encoding="utf-8") as file:
        file.write("kept")
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute("DROP TRIGGER run_check_keeps_on_update")
        connection.execute("UPDATE run_check SET setup = 'no json' WHERE sequence = 5")
    status, _, err = linecheck("log", "export", "--what", "readings", "--to", "readings.csv")
    assert status == 3
    assert "run `linecheck log verify` to find it" in err
    with open("readings.csv", encoding="utf-8") as file:
        assert file.read() == "kept"
    assert sorted(os.listdir()) == ["readings.csv", "results"]


@pytest.mark.parametrize("form", ["csv", "jsonl", "parquet"])
def test_a_full_disk_leaves_no_file(path, form):
    curve = made_curve(points=10_000)
    noisy = replace(curve.curve, y=np.random.default_rng(1).standard_normal(10_000))
    with Log(path) as log:
        log.append(made_run(made_check(replace(curve, curve=noisy))))
    export = ("log", "export", "--what", "curves", "--to", f"out.{form}")
    status, _, err = forked.run(".", *export, text=True, file_size=40_000)
    assert status == 3, err
    assert err.startswith(f"linecheck: out.{form}: cannot be written: the file is larger than")
    assert sorted(os.listdir()) == ["results"]


def test_without_pyarrow_it_is_said_what_to_install(linecheck, path, monkeypatch):
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    status, _, err = linecheck("log", "export", "--to", "runs.parquet")
    assert status == 2
    assert err == (
        "linecheck: Parquet needs pyarrow, which is not installed: pip install 'linecheck[parquet]'\n"
    )
    assert linecheck("log", "export", "--to", "runs.csv")[0] == 0
