"""Runs as columns: the same runs and readings from a log, from its export as Parquet, and from the server."""

import os

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from sent_logs import sent
from varied_runs import NAMES, RUNS, filter_of, made

from linecheck.cli import cli
from linecheck.errors import FileError, RecordError, UsageError
from linecheck.limits.verdict import Verdict
from linecheck.log import Log, LogReader, RunFilter
from linecheck.statistics.columns import READING_COLUMNS, RUN_COLUMNS, Place, open_columns


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    path = tmp_path_factory.mktemp("columns") / "log.sqlite"
    with Log(path) as log:
        for at in range(RUNS):
            log.append(made(at))
    return path


@pytest.fixture(scope="module")
def parquet(path):
    folder = path.parent / "export"
    folder.mkdir()
    for table in ("runs", "readings", "curves", "assets"):
        target = str(folder / f"{table}.parquet")
        done = CliRunner().invoke(
            cli,
            ["log", "export", "--what", table, "--purpose", "all", "--log", str(path), "--to", target],
            catch_exceptions=False,
        )
        assert done.exit_code == 0, done.output
    return folder


@pytest.fixture(scope="module")
def server(path, postgres):
    with postgres.lent() as url:
        sent(path, url)
        yield url


@pytest.fixture(scope="module")
def places(path, parquet, server):
    return [Place(logs=(str(path),)), Place(parquet=(str(parquet),)), Place(server=server)]


def rows_in(place, wanted, table):
    """Return all that a place says of the picked runs, in order."""
    with open_columns(place, wanted) as columns:
        if table == "run":
            return sorted(columns.rows(f"SELECT record, state, {', '.join(RUN_COLUMNS)} FROM run"))
        names = ", ".join(f'"{name}"' for name in READING_COLUMNS)
        with columns.over_readings(*READING_COLUMNS):
            return sorted(columns.rows(f"SELECT record, {names} FROM reading"), key=repr)


@pytest.mark.every_python
@pytest.mark.parametrize("table", ["run", "reading"])
def test_a_log_its_export_and_the_server_say_the_same(places, table):
    found = [rows_in(place, RunFilter(), table) for place in places]
    assert len(found[0]) >= RUNS
    assert found[1] == found[0]
    assert found[2] == found[0]


filters = st.builds(
    lambda some, like, verdicts, purpose, attempt, asset, failed, since, until: (
        filter_of(
            {name: value for name in some if (value := getattr(made(like), name)) is not None},
            verdicts=tuple(verdicts),
            purpose=purpose,
            attempt=attempt,
            asset=asset,
            failed=tuple(failed),
        ),
        since,
        until,
    ),
    st.lists(st.sampled_from(NAMES), max_size=2, unique=True),
    st.integers(0, RUNS - 1),
    st.lists(st.sampled_from([*(verdict.value for verdict in Verdict), "hold"]), max_size=2, unique=True),
    st.sampled_from([None, "unit", "golden", "challenge"]),
    st.sampled_from([None, None, "first", "last"]),
    st.sampled_from([None, None, "IF-1", "CB-2"]),
    st.lists(
        st.sampled_from(["tone.hum", "tone", "tone@filter=slow.hum", "toneA.spectrum", "tone.x"]), max_size=1
    ),
    st.none() | st.integers(0, RUNS - 1),
    st.none() | st.integers(0, RUNS - 1),
)


@given(drawn=filters, which=st.integers(0, 2))
@settings(max_examples=30)
def test_runs_are_picked_as_a_list_of_the_log_picks_them(places, path, drawn, which):
    wanted, since, until = drawn
    with LogReader(path) as log:
        times = sorted(run.logged.recorded for run in log.runs(limit=RUNS))
        bounds = {
            "since": None if since is None else times[since],
            "until": None if until is None else times[until],
        }
        wanted = RunFilter(**{**vars(wanted), **bounds})
        expected = sorted(log.sequences(wanted, limit=RUNS))
    with open_columns(places[which], wanted, columns=()) as columns:
        assert sorted(record for (record,) in columns.rows("SELECT record FROM run")) == expected


def test_several_logs_are_told_apart(path, tmp_path):
    other = tmp_path / "other.sqlite"
    with Log(other) as log:
        for at in range(3):
            log.append(made(at))
    with open_columns(Place(logs=(str(path), str(other))), RunFilter()) as columns:
        assert columns.rows("SELECT log, count(*) FROM run GROUP BY log ORDER BY log") == [(0, RUNS), (1, 3)]
        with columns.over_readings("metric"):
            (found,) = columns.rows("SELECT count(*) FROM reading WHERE log = 1")
    with open_columns(Place(logs=(str(other),)), RunFilter()) as columns, columns.over_readings("metric"):
        assert columns.rows("SELECT count(*) FROM reading") == [found]


def test_the_limit_file_is_the_newest_runs(places, path):
    with LogReader(path) as log:
        model = log.runs(limit=1)[0].model
    for place in (places[0], places[2]):
        with open_columns(place, RunFilter()) as columns:
            assert columns.limit_file.model == log_model(path)
            assert columns.limit_file.checks
    with open_columns(places[1], RunFilter()) as columns:
        assert columns.limit_file is None
    assert model


def log_model(path):
    with LogReader(path) as log:
        return log.record(log.runs(limit=1)[0].logged.sequence).limits.model


def test_what_cannot_be_read_is_said(tmp_path, path):
    for place in (Place(), Place(logs=(str(path),), parquet=(str(tmp_path),))):
        with pytest.raises(UsageError, match="one of the three"), open_columns(place, RunFilter()):
            pass
    with (
        pytest.raises(FileError, match=r"no runs\.parquet"),
        open_columns(Place(parquet=(str(tmp_path),)), RunFilter()),
    ):
        pass
    (tmp_path / "runs.parquet").write_bytes(b"PAR1 nothing")
    with (
        pytest.raises(Exception, match="cannot be read"),
        open_columns(Place(parquet=(str(tmp_path),)), RunFilter()),
    ):
        pass
    with (
        pytest.raises(FileError, match="no log of that name"),
        open_columns(Place(logs=("nothing.sqlite",)), RunFilter()),
    ):
        pass


def test_a_log_of_any_earlier_schema_reads_as_columns():
    from pathlib import Path

    logs = sorted((Path(__file__).parents[1] / "log" / "logs").glob("schema-*.sqlite"))
    assert logs
    for log in logs:
        with LogReader(log) as opened:
            expected = len(opened.runs(limit=1000))
        with open_columns(Place(logs=(str(log),)), RunFilter()) as columns:
            assert columns.runs == expected
            with columns.over_readings(*READING_COLUMNS):
                assert columns.rows("SELECT count(*) FROM reading")[0][0] > 0


def test_what_does_not_fit_into_memory_goes_to_a_folder_of_its_own(path, tmp_path, monkeypatch):
    """Sorting 40 MB in 16 MB spills; neither the user's folder nor the system's keeps any of it."""
    (here := tmp_path / "here").mkdir()
    (there := tmp_path / "there").mkdir()
    monkeypatch.chdir(here)
    monkeypatch.setattr("tempfile.tempdir", str(there))
    monkeypatch.setattr("linecheck.statistics.columns.MEMORY_LIMIT", "16MB")
    with open_columns(Place(logs=(str(path),)), RunFilter()) as columns:
        columns.run("CREATE TEMP TABLE much AS SELECT random() AS x, range FROM range(2_500_000)")
        assert [each.name for each in there.glob("linecheck-statistics-*/*") if each.name != "lock"]
    assert (os.listdir(here), os.listdir(there)) == ([], [])


def test_a_log_that_is_given_twice_is_refused(path, parquet, tmp_path):
    copy = tmp_path / "copy.sqlite"
    copy.write_bytes(path.read_bytes())
    for place in (
        Place(logs=(str(path), str(copy))),
        Place(logs=(str(path), str(path))),
        Place(parquet=(str(parquet), str(parquet))),
    ):
        with (
            pytest.raises(UsageError, match="are one log, or a copy of it"),
            open_columns(place, RunFilter()),
        ):
            pass


@pytest.mark.parametrize("what", ["runs", "readings"])
@pytest.mark.parametrize("content", [b"", b"PAR1 no parquet", None])
def test_an_export_that_is_none_is_told_without_the_question(parquet, tmp_path, what, content):
    for table in ("runs", "readings"):
        (tmp_path / f"{table}.parquet").write_bytes((parquet / f"{table}.parquet").read_bytes())
    other = {"runs": "readings", "readings": "runs"}[what]
    content = (parquet / f"{other}.parquet").read_bytes() if content is None else content
    (tmp_path / f"{what}.parquet").write_bytes(content)
    told = "the runs cannot be read|is no export of runs"
    with pytest.raises((RecordError, FileError), match=told) as raised:  # noqa: SIM117
        with open_columns(Place(parquet=(str(tmp_path),)), RunFilter()) as columns:
            columns.keep_readings("check", "metric", "value")
    assert "SELECT" not in str(raised.value)
    assert "^" not in str(raised.value)
