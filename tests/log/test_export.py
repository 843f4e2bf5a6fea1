"""What is exported, read again by Python's csv and json and by pyarrow."""

import csv
import io
import json
import shutil
import sqlite3
import tracemalloc
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_runs import made_check, made_curve, made_reading, made_run, runs_of_every_verdict
from pyarrow import parquet

from linecheck.checks.base import Problem
from linecheck.errors import RecordError
from linecheck.files.text import encodable, visible
from linecheck.files.times import utc_text
from linecheck.limits.verdict import Verdict
from linecheck.log import Log, LogReader, RunFilter
from linecheck.log.export import export_formats
from linecheck.log.export import parquet as parquet_module
from linecheck.log.export import rows as rows_module
from linecheck.log.export.rows import pages
from linecheck.log.export.tables import TABLES, Column, Table
from linecheck.run.facts import Asset

TRACE = {
    "purpose": "golden",
    "scanned": "]C1PR3-000007",
    "lot": "L-7",
    "nest": "b",
    "override": {"by": "A. Engineer", "why": "trial"},
    "host": {"system": "Linux", "cores": "4"},
    "clock": {"synchronised": True, "offset_seconds": 0.25},
    "packages": {"numpy": "2.0"},
    "assets": (Asset("cable", "CB-12", {"due": "2027-01-31"}),),
    "captures": {"tone": "objects/aa.flac"},
}
EVERYTHING = RunFilter()
csv_text, json_lines = (export_formats()[name].lines for name in ("csv", "jsonl"))
write_parquet = export_formats()["parquet"].write


def read_csv(content):
    return list(csv.reader(io.StringIO(content.decode("utf-8"), newline=""), strict=True))


def read_parquet(table, given_pages):
    sink = io.BytesIO()
    write_parquet(sink, table, given_pages)
    return parquet.read_table(io.BytesIO(sink.getvalue()))


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    path = tmp_path_factory.mktemp("export") / "log.sqlite"
    with Log(path) as log:
        for run in runs_of_every_verdict().values():
            log.append(run)
        bound = made_reading(value=125.0)
        bound = replace(bound, reading=replace(bound.reading, is_bound=True))
        curve = made_curve(uncertainty=np.full(5, 0.25))
        note = Problem("reason", "set by hand", blocks=False, metrics=("sinad",))
        log.append(
            made_run(made_check(bound, curve, made_curve(None, 0), problems=(note,)), serial="PR3-7", **TRACE)
        )
    return path


@pytest.fixture(scope="module")
def log(path):
    with LogReader(path) as log:
        yield log


def dictionaries(log, what):
    """Return the rows of a table as JSON Lines say them."""
    lines = b"".join(json_lines(TABLES[what], pages(log, TABLES[what], EVERYTHING)))
    return [json.loads(line) for line in lines.decode("utf-8").splitlines()]


def test_runs_say_all_that_the_record_says(log):
    rows = dictionaries(log, "runs")
    assert [row["record"] for row in rows] == [1, 2, 3, 4, 5, 6]
    assert [row["verdict"] for row in rows[:5]] == [verdict.value for verdict in runs_of_every_verdict()]
    record, row = log.record(6), rows[5]
    assert row["record_hash"] == record.logged.record_hash
    for name in ("scanned", "lot", "nest", "override", "host", "clock", "purpose", "identity", "gates"):
        assert row[name] == getattr(record, name)
    assert row["calibration"] == record.calibration
    assert row["duration_seconds"] == record.duration_seconds
    assert (row["limit_file"], row["station_failed"], row["shift"]) == ("limits/pellow-r3.yaml", False, None)


def test_readings_are_those_of_the_records(log):
    rows = iter(dictionaries(log, "readings"))
    for sequence in range(1, 7):
        record = log.record(sequence)
        for check in record.checks:
            for item in check.judged.readings:
                row = next(rows)
                assert (row["record"], row["check"], row["setup"]) == (sequence, check.check, check.setup)
                for name in ("metric", "channel", "value", "unit", "uncertainty", "is_bound"):
                    assert row[name] == getattr(item.reading, name)
                assert (row["verdict"], row["margin"], row["pass_limit"]) == (
                    item.verdict,
                    item.margin,
                    item.limit,
                )
                assert (row["run_verdict"], row["finished"]) == (record.verdict, utc_text(record.finished))
    assert next(rows, None) is None


def test_curves_are_those_of_the_records(log):
    rows = iter(dictionaries(log, "curves"))
    for sequence in range(1, 7):
        for check in log.record(sequence).checks:
            for item in check.judged.curves:
                row = next(rows)
                assert row["x"] == item.curve.x.tolist()
                assert row["y"] == item.curve.y.tolist()
                stated = item.curve.uncertainty
                assert row["uncertainty"] == (None if stated is None else stated.tolist())
                assert (row["worst_x"], row["x_unit"], row["resolution_hz"]) == (item.worst_x, "Hz", 5.0)
    assert next(rows, None) is None


def test_problems_are_those_of_the_records(log):
    rows = dictionaries(log, "problems")
    assert [(row["record"], row["check"], row["code"], row["blocks"], row["metrics"]) for row in rows] == [
        (4, "tone", "dropout", True, []),
        (5, "quiet", "not_run", True, []),
        (6, "tone", "reason", False, ["sinad"]),
        (6, "tone", "not_measured", False, ["spectrum"]),
    ]


@pytest.mark.every_python
@pytest.mark.parametrize("what", list(TABLES))
def test_every_form_says_the_same(log, what):
    table = TABLES[what]
    expected = dictionaries(log, what)
    kinds = {column.name: column.kind for column in table.columns}
    typed = read_parquet(table, pages(log, table, EVERYTHING)).to_pylist()
    assert [{name: from_parquet(kinds[name], row[name]) for name in kinds} for row in typed] == expected
    heading, *lines = read_csv(b"".join(csv_text(table, pages(log, table, EVERYTHING))))
    assert heading == list(kinds)
    points = [point for row in expected for point in each_point(row)]
    assert [
        {name: from_csv(kinds[name], field) for name, field in zip(heading, line, strict=True)}
        for line in lines
    ] == points


def from_parquet(kind, value):
    if kind == "json" and value is not None:
        return json.loads(value)
    return value.strftime("%Y-%m-%dT%H:%M:%S.%fZ") if isinstance(value, datetime) else value


def from_csv(kind, field):
    if field == "":
        return None
    if kind in ("text", "time"):
        return field.removeprefix("'")
    if kind == "json":
        return json.loads(field)
    return {"true": True, "false": False}[field] if kind == "boolean" else float(field)


def each_point(row):
    """Return what a row is in CSV: one for each point of its curve."""
    if "x" not in row:
        return [row]
    count = max(len(row["x"]), 1)
    columns = {name: row[name] or [None] * count for name in ("x", "y", "uncertainty")}
    return [row | {name: values[at] for name, values in columns.items()} for at in range(count)]


@pytest.mark.every_python
def test_parquet_is_typed(log):
    found = read_parquet(TABLES["curves"], pages(log, TABLES["curves"], EVERYTHING)).schema
    assert found.field("serial").type == pa.dictionary(pa.int32(), pa.string())
    assert found.field("record").type == pa.int64()
    assert found.field("margin").type == pa.float64()
    assert found.field("finished").type == pa.timestamp("us", tz="UTC")
    assert found.field("x").type == pa.list_(pa.float64())
    assert found.field("x").metadata == {b"description": TABLES["curves"].columns[-3].text.encode()}
    runs = read_parquet(TABLES["runs"], pages(log, TABLES["runs"], EVERYTHING))
    assert runs.schema.field("station_failed").type == pa.bool_()
    assert runs.column("nest").null_count == 5
    assert runs.column("finished")[0].as_py() == datetime(2026, 11, 20, 8, 15, 12, 345678, tzinfo=UTC)


def test_filters_pick_the_runs(log):
    wanted = RunFilter(verdicts=(Verdict.FAIL,))
    assert [row[0] for page in pages(log, TABLES["readings"], wanted) for row in page] == [3]
    (page,) = pages(log, TABLES["runs"], RunFilter(purpose="golden"))
    assert [row[0] for row in page] == [6]


def test_what_a_station_adds_meanwhile_is_not_exported(tmp_path, monkeypatch):
    monkeypatch.setitem(rows_module._AT_ONCE, None, 2)
    with Log(tmp_path / "log.sqlite") as log:
        for _ in range(5):
            log.append(made_run())
        found = []
        for page in pages(log, TABLES["runs"], EVERYTHING):
            found += [row[0] for row in page]
            log.append(made_run())
    assert found == [1, 2, 3, 4, 5]


@pytest.mark.parametrize("what", list(TABLES))
def test_nothing_is_a_table_without_rows(log, what):
    nothing = list(pages(log, TABLES[what], RunFilter(serial="nobody")))
    assert nothing == []
    names = [column.name for column in TABLES[what].columns]
    assert b"".join(csv_text(TABLES[what], nothing)) == ",".join(names).encode() + b"\r\n"
    assert b"".join(json_lines(TABLES[what], nothing)) == b""
    assert read_parquet(TABLES[what], nothing).column_names == names


TEXT_AND_DATA = Table(
    "runs",
    "",
    None,
    tuple(
        Column(name, kind, "", ("run", name)) for name, kind in (("a", "text"), ("b", "json"), ("c", "real"))
    ),
)
HOSTILE = (
    st.none()
    | st.text(st.characters(exclude_categories=()))
    | st.sampled_from(
        [
            "",
            "=1+1",
            "-5",
            "+A1",
            "@SUM(A1)",
            " =1",
            "'=1",
            "''",
            "\t=1",
            "\n=1",
            "＝1",
            'a"b',
            "a,b",
            "a\r\nb",
            "\0",
            "\ud800",
            "]\x1dC1",
            "\ufeff=",
        ]
    )
)


@pytest.mark.every_python
@given(
    st.lists(
        st.tuples(
            HOSTILE,
            st.dictionaries(st.text(max_size=5), HOSTILE, max_size=2),
            st.floats(allow_nan=False, allow_infinity=False),
        ),
        min_size=1,
        max_size=4,
    )
)
@settings(max_examples=30)
def test_hostile_texts_come_back(hostile):
    rows = [
        (
            None if text is None else encodable(text),
            {encodable(k): v and encodable(v) for k, v in data.items()},
            number,
        )
        for text, data, number in hostile
    ]
    said = [
        json.loads(line)
        for line in b"".join(json_lines(TEXT_AND_DATA, [rows])).decode("utf-8").split("\n")[:-1]
    ]
    assert [(row["a"], row["b"], row["c"]) for row in said] == rows
    stored = read_parquet(TEXT_AND_DATA, [rows[:1], rows[1:]]).to_pylist()
    assert [(row["a"], json.loads(row["b"]), row["c"]) for row in stored] == rows
    content = b"".join(csv_text(TEXT_AND_DATA, [rows]))
    _, *lines = read_csv(content)
    assert [(line[0].removeprefix("'"), float(line[2])) for line in lines] == [
        (visible(text or ""), number) for text, _, number in rows
    ]
    for text, _, _ in lines:
        assert text[:1] not in {"=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠"}
        assert text.lstrip()[:1] not in {"=", "+", "-", "@"}
    assert not set(content) & (set(range(32)) - {9, 10, 13})


def test_an_empty_text_is_told_from_none_by_its_quotes():
    lines = b"".join(csv_text(TEXT_AND_DATA, [[("", {}, None), (None, {}, -1.5)]]))
    assert lines == b'a,b,c\r\n"",{},\r\n,{},-1.5\r\n'


def test_a_line_ends_with_cr_lf_alone_outside_quotes():
    # RFC 4180, 2.1 and 2.6: each record on a line ended by CRLF; fields with line breaks, quotes or commas are quoted.
    content = b"".join(csv_text(TEXT_AND_DATA, [[("a\nb", {"c": 'd"'}, 0.1)]]))
    assert content == b'a,b,c\r\n"a\nb","{""c"":""d\\""""}",0.1\r\n'


@pytest.mark.usefixtures("usual_collection")
def test_an_export_takes_little_memory(tmp_path, monkeypatch):
    monkeypatch.setitem(rows_module._AT_ONCE, "curves", 1)
    monkeypatch.setattr(parquet_module, "_BYTES", 100_000)
    table = TABLES["curves"]
    with Log(tmp_path / "log.sqlite") as log:
        for _ in range(16):
            log.append(made_run(made_check(made_curve(points=1500))))
        tracemalloc.start()
        sizes = [sum(map(len, form(table, pages(log, table, EVERYTHING)))) for form in (csv_text, json_lines)]
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        held = []
        write_parquet(Held(held), table, pages(log, table, EVERYTHING))
    assert sizes[0] > 5e6
    assert sizes[1] > 0.8e6
    # One run is 24 kB packed, and some times that as Python's numbers; all of them are 16 times that.
    assert peak < 0.8e6
    assert max(held) - min(held) < 1e6


class Held:
    """Where bytes go; how much pyarrow holds then."""

    def __init__(self, held):
        self.held = held

    def write(self, content):
        self.held.append(pa.total_allocated_bytes())


def test_row_groups_are_closed_as_they_fill(log, monkeypatch):
    monkeypatch.setattr(parquet_module, "_ROWS", 2)
    table = TABLES["readings"]
    singly = [[row] for page in pages(log, table, EVERYTHING) for row in page]
    sink = io.BytesIO()
    write_parquet(sink, table, singly)
    found = parquet.ParquetFile(io.BytesIO(sink.getvalue()))
    assert found.metadata.num_row_groups == -(-len(singly) // 2)
    assert found.read().num_rows == len(singly)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE reading SET value = 9e999",
        "UPDATE run SET host = 'no json'",
        "UPDATE run SET host = '[NaN]'",
        "UPDATE run SET finished = 'yesterday'",
        "UPDATE curve_points SET content = x'00'",
        "UPDATE packed_curve SET axis_of = position",
        "UPDATE problem SET metrics = 'x'",
        "DELETE FROM run_check",
    ],
)
def test_a_changed_record_that_cannot_be_understood_is_said(path, tmp_path, statement):
    changed = tmp_path / "log.sqlite"
    shutil.copy(path, changed)
    with closing(sqlite3.connect(changed)) as connection, connection:
        connection.execute("PRAGMA ignore_check_constraints=ON")
        for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            connection.execute(f"DROP TRIGGER {name}")
        connection.execute(statement)
    with LogReader(changed) as log, pytest.raises(RecordError, match="log verify"):
        export_all(log)


def export_all(log):
    for table in TABLES.values():
        write_parquet(io.BytesIO(), table, pages(log, table, EVERYTHING))


@pytest.mark.parametrize("table", TABLES.values(), ids=list(TABLES))
def test_every_column_is_named_once_and_says_what_it_is(table):
    names = [column.name for column in table.columns]
    assert len(set(names)) == len(names)
    assert all(column.text and not column.text.endswith(".") for column in table.columns)
