"""The packed readings at the server are what the readings are, and are held against them; runs may be without."""

import psycopg
import pyarrow as pa
import pytest
from click.testing import CliRunner
from sent_logs import sent
from varied_runs import RUNS, made

from linecheck.cli import cli
from linecheck.errors import RecordError
from linecheck.log import Log, RunFilter
from linecheck.statistics.columns import READING_COLUMNS, Place, open_columns
from linecheck.statistics.sources.packed import Layout, unpacked


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    path = tmp_path_factory.mktemp("packed") / "log.sqlite"
    with Log(path) as log:
        for at in range(RUNS):
            log.append(made(at))
    return path


@pytest.fixture
def server(path, postgres):
    with postgres.lent() as url:
        sent(path, url)
        yield url


def at_server(url, command):
    with psycopg.connect(url, autocommit=True) as connection:
        cursor = connection.execute(command)
        return cursor.fetchall() if cursor.description else []


def readings(place, names=tuple(READING_COLUMNS), only=None):
    with open_columns(place, RunFilter(), columns=()) as columns, columns.over_readings(*names, only=only):
        told = ", ".join(f'"{name}"' for name in names)
        return sorted(columns.rows(f"SELECT record, {told} FROM reading"), key=repr)


def linecheck(*words):
    return CliRunner().invoke(cli, list(map(str, words)), catch_exceptions=False)


@pytest.mark.parametrize(
    "removed",
    [
        "",
        "DELETE FROM linecheck.packed_reading WHERE sequence % 3 = 0",
        "DELETE FROM linecheck.packed_reading",
    ],
)
def test_readings_are_the_same_whether_packed_or_not(path, server, removed):
    if removed:
        at_server(server, removed)
    assert readings(Place(server=server)) == readings(Place(logs=(str(path),)))


@pytest.mark.parametrize(
    "only",
    [
        {"metric": ["thd"]},
        {"verdict": ["pass", "invalid"]},
        {"check": ["tone"], "verdict": ["marginal", "fail"]},
    ],
)
def test_what_is_asked_for_alone_is_given(path, server, only):
    names = ("check", "channel", "value")
    found = readings(Place(server=server), names, only)
    assert found == readings(Place(logs=(str(path),)), names, only)


def test_what_is_not_packed_is_when_the_server_is_prepared(server):
    everything = "SELECT * FROM linecheck.packed_reading ORDER BY chain, sequence"
    before = at_server(server, everything)
    assert len(before) >= RUNS
    at_server(
        server,
        "DELETE FROM linecheck.packed_reading WHERE sequence % 2 = 1; DELETE FROM linecheck.reading_layout",
    )
    done = linecheck("sync", "--prepare", "--to", server)
    missing = sum(row[1] % 2 for row in before)
    assert f"{missing} runs packed for statistics" in done.output
    # A layout that is lost comes back with the next run that has it; until then its runs are read from their readings.
    assert at_server(server, everything) == before
    assert "packed for statistics" not in linecheck("sync", "--prepare", "--to", server).output


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE linecheck.packed_reading SET value = set_byte(value, 7, 255 - get_byte(value, 7)) WHERE sequence = 3",
        "UPDATE linecheck.packed_reading SET flag = set_byte(flag, 0, (get_byte(flag, 0) + 1) % 4) WHERE sequence = 3",
        "UPDATE linecheck.reading_layout SET content = replace(content, 'tone', 'tune')",
        "INSERT INTO linecheck.packed_reading SELECT chain, 999, layout, value, uncertainty, flag, limits "
        "FROM linecheck.packed_reading WHERE sequence = 3",
    ],
)
def test_a_packed_row_that_is_not_what_the_readings_are_is_found(path, server, change):
    assert linecheck("sync", "--check", "--to", server, "--log", path).exit_code == 0
    at_server(server, change)
    with pytest.raises(
        RecordError, match=r"linecheck\.packed_reading.*linecheck sync --prepare makes it anew"
    ):
        linecheck("sync", "--check", "--to", server, "--log", path)


def test_a_row_that_is_not_as_long_as_its_layout_is_refused():
    layout = Layout((("tone", "thd", "left", "dB", 0), ("tone", "thd", "right", "dB", 0)))
    batch = pa.RecordBatch.from_pydict({"record": [1], "log": [0], "layout": [0], "value": [b"\0" * 8]})
    with pytest.raises(ValueError, match="not as long as its layout"):
        list(unpacked(batch, {0: layout}, ("value",), {}))
