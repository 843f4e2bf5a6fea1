"""Files made anew from records, byte for byte those of the runs themselves."""

import os
import shutil
from pathlib import Path

import pytest
from made_runs import made_check, made_reading, made_run, runs_of_every_verdict
from small_run import LIMITS as LIMIT_FILE
from small_run import STATION, call, write_small_files

from linecheck.limits.verdict import Verdict
from linecheck.log import Log
from linecheck.results.formats.junit import junit_bytes
from linecheck.results.result import result, to_json_bytes
from linecheck.run.facts import Asset
from linecheck.run.model import SettingStep

pytestmark = pytest.mark.every_python

ASSETS = """
nest = "b"
[assets.cable]
id = "CB-12"
due = 9000-01-31
certificate = "K-12"
[capture]"""
SETUPS = LIMIT_FILE.replace("serial_pattern", "setup: {input: usb, filter: sharp}\nserial_pattern").replace(
    "  tone:\n    kind: tone", "  tone:\n    kind: tone\n    setups: [{filter: sharp}, {filter: slow}]"
)


@pytest.fixture
def linecheck(monkeypatch, capsys, tmp_path):
    monkeypatch.chdir(tmp_path)
    return lambda *arguments: call(monkeypatch, capsys, *arguments)


@pytest.fixture(scope="module")
def stored(tmp_path_factory):
    """Return runs of every sort as they were and as they come back from the log."""
    step = SettingStep("filter", "slow", "operator", True, 0.25, "tone", "done")
    trace = {
        "lot": "L-7",
        "override": {"code": "trial", "by": "A. Engineer"},
        "identity": {"firmware": "1.4.2", "boot": "7"},
        "assets": (Asset("cable", "CB-12", {"due": "2027-01-31", "certificate": "K"}),),
    }
    runs = [
        *runs_of_every_verdict().values(),
        made_run(settings=(step,), **trace, operator="\udcff\x1d"),
        made_run(made_check(made_reading(None, None)), station_failed=True, calibration={"z": "1", "a": "2"}),
        made_run(missing=("tone",)),
    ]
    with Log(tmp_path_factory.mktemp("restore") / "log.sqlite") as log:
        return [(run, log.record(log.append(run).sequence)) for run in runs]


def test_a_record_gives_the_same_files_as_the_run(stored):
    for run, again in stored:
        assert again.verdict is run.verdict
        assert to_json_bytes(result(again)) == to_json_bytes(result(run))
        for strict in (False, True):
            assert junit_bytes(again, strict) == junit_bytes(run, strict)


def test_real_runs_get_the_same_files(linecheck, tmp_path):
    named = write_small_files(tmp_path, limits=SETUPS, station=STATION.replace("\n[capture]", ASSETS))
    for serial, *more in (
        ("PR3-000001", "--lot", "L-7", "--operator", "A. Operator", "--firmware", "1.4.2"),
        ("PR3-000001", "--fault", "hum"),
        ("PR3-000002", "--fault", "dropout"),
    ):
        linecheck("run", *named, "--serial", serial, *more)
    kept = shutil.copytree("results", tmp_path / "kept")
    files = sorted(path for path in Path("results").rglob("*") if path.suffix in (".json", ".xml"))
    assert len(files) == 6
    files[0].unlink()
    shutil.rmtree(files[-1].parent)
    status, out, err = linecheck("log", "files", "--missing", "--station", named[1])
    assert (status, err) == (0, "")
    assert sorted(line.partition(": written")[0] for line in out.splitlines()) == sorted(
        str(path) for path in (files[0], files[-1], files[-2])
    )
    for path in files:
        assert path.read_bytes() == (kept / path.relative_to("results")).read_bytes(), path
    assert linecheck("log", "files", "--missing", "--out", "results")[1] == "no file was missing\n"
    assert (
        linecheck("log", "files", 2, 4, 6, "--out", "results")[1]
        == "all files are there, as the records say\n"
    )


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "results" / "linecheck.sqlite"
    with Log(path) as log:
        log.append(made_run(made_check(made_reading(Verdict.MARGINAL, 110.0)), serial="../PR3"))
    return path


def test_a_file_that_says_something_else_is_not_replaced_unasked(linecheck, path):
    _, out, _ = linecheck("log", "files", 1, "--out", "files")
    (junit,) = (Path(line.partition(": written")[0]) for line in out.splitlines() if "junit" in line)
    assert junit.is_relative_to("files")
    marginal = junit.read_bytes()
    status, out, err = linecheck("log", "files", 1, "--out", "files", "--strict")
    assert (status, out) == (2, "")
    assert "junit.xml: is there, and is not what the record says" in err
    assert junit.read_bytes() == marginal
    linecheck("log", "files", 1, "--out", "files", "--strict", "--replace")
    assert b"<failure" in junit.read_bytes()
    assert linecheck("log", "files", "--missing", "--out", "files")[1] == "no file was missing\n"


def test_records_of_older_formats_say_less(linecheck, tmp_path):
    old = tmp_path / "old.sqlite"
    shutil.copy(Path(__file__).parents[1] / "log" / "logs" / "schema-1.sqlite", old)
    status, out, err = linecheck("log", "files", 6, "--log", old, "--out", "files")
    assert (status, len(out.splitlines())) == (0, 2)
    assert err.startswith(
        "linecheck: record 6 is of an older format, which does not say which values are bounds, how the unit was set"
    )


@pytest.mark.parametrize(
    ("arguments", "reason"),
    [
        (("--out", "x"), "name runs, or give --missing"),
        (("1", "--missing", "--out", "x"), "name runs, or give --missing"),
        (("--missing",), "--out: say in which folder"),
        (("--missing", "--replace", "--out", "x"), "--missing leaves what is there"),
        (("7", "--out", "x"), "there is no run 7 in the log"),
        (("1", "--out", "results/linecheck.sqlite"), "there is a file of that name"),
    ],
)
def test_what_cannot_be_done_is_said(linecheck, path, arguments, reason):
    status, out, err = linecheck("log", "files", *arguments)
    assert status in (2, 3)
    assert out == ""
    assert reason in err
    assert sorted(os.listdir()) == ["results"]
