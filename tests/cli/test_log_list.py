import contextlib
import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from made_runs import made_run, runs_of_every_verdict

from linecheck.errors import UsageError
from linecheck.files.times import parsed_time, utc_text
from linecheck.log import Log

pytestmark = pytest.mark.every_python


@pytest.fixture
def path(tmp_path, monkeypatch):
    """Return a log with a run of every verdict, a golden unit's run and two runs of another lot."""
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "results" / "linecheck.sqlite"
    with Log(path) as log:
        for run in runs_of_every_verdict().values():
            log.append(run)
        log.append(made_run(serial="PR3-900001", purpose="golden"))
        for serial in ("PR3-000001", "PR3-000002"):
            log.append(made_run(serial=serial, lot="L-7", shift="early", operator="B. Operator"))
    return path


def listed(linecheck, *options):
    status, out, _ = linecheck("log", "list", *options)
    assert status == 0
    return [row.split()[0] for row in out.splitlines()[1:]]


def test_golden_units_are_listed_on_request(linecheck, path):
    _, out, err = linecheck("log", "list")
    assert [row.split()[0] for row in out.splitlines()[1:]] == ["8", "7", "5", "4", "3", "2", "1"]
    assert "golden" not in out
    assert err == (
        "linecheck: 1 run of a golden or challenge unit, or of a gauge study, is left out: --purpose all lists them\n"
    )
    assert listed(linecheck, "--purpose", "golden") == ["6"]
    _, out, err = linecheck("log", "list", "--purpose", "all")
    assert err == ""
    heading, *rows = out.splitlines()
    assert "purpose" in heading.split()
    assert len(rows) == 8
    assert "golden" in rows[2]


def test_a_column_stands_where_runs_differ_in_it(linecheck, path):
    heading = linecheck("log", "list")[1].splitlines()[0]
    assert heading.split()[-4:] == ["station", "operator", "lot", "shift"]
    heading = linecheck("log", "list", "--lot", "L-7")[1].splitlines()[0]
    assert heading.endswith("station")


def test_filters(linecheck, path):
    assert listed(linecheck, "--verdict", "fail", "--verdict", "aborted") == ["5", "3"]
    assert listed(linecheck, "--lot", "L-7", "--operator", "B. Operator", "--shift", "early") == ["8", "7"]
    assert listed(linecheck, "--failed", "tone.sinad") == ["3"]
    assert listed(linecheck, "--failed", "tone", "--failed", "tone.spectrum") == ["3"]
    assert listed(linecheck, "--attempt", "last") == ["8", "7", "5"]
    assert listed(linecheck, "--attempt", "first", "--until", "9000-01-01") == ["8", "7", "1"]
    assert listed(linecheck, "--since", "9000-01-01") == []
    assert listed(linecheck, "--at-station", "line-2-nest-a", "--firmware", "1.4.2", "--limit", 1) == ["8"]


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("tone.sinadd", "did you mean tone.sinad? there are: tone, tone.sinad, "),
        ("tone.sinad.left", "did you mean tone.sinad? there are: tone, tone.sinad, "),
        ("tune", "did you mean tone? there are: "),
    ],
)
def test_a_name_that_no_run_has_is_said(linecheck, path, name, told):
    status, out, err = linecheck("log", "list", "--failed", name)
    assert (status, out) == (0, "no such run is in the log\n")
    assert err.startswith(f"linecheck: --failed {name}: the newest runs have no such check or metric; {told}")


def test_a_name_that_runs_have_and_that_never_failed_is_not_doubted(linecheck, path):
    _, _, err = linecheck("log", "list", "--failed", "tone.sinad", "--since", "9000-01-01")
    assert err == ""


def test_a_full_page_says_how_to_ask_for_the_next(linecheck, path):
    _, _, err = linecheck("log", "list", "--purpose", "all", "--limit", 3)
    assert err == "linecheck: there are more: --before 6 lists the next page\n"
    assert listed(linecheck, "--purpose", "all", "--limit", 3, "--before", 6) == ["5", "4", "3"]
    assert linecheck("log", "list", "--purpose", "all", "--limit", 3, "--before", 4)[2] == ""


def test_json_lines(linecheck, path):
    _, out, _ = linecheck("log", "list", "--json", "--limit", 2)
    runs = [json.loads(line) for line in out.splitlines()]
    assert [(run["sequence"], run["serial"], run["lot"]) for run in runs] == [
        (8, "PR3-000002", "L-7"),
        (7, "PR3-000001", "L-7"),
    ]
    assert runs[0]["verdict"] == "pass"
    assert linecheck("log", "list", "--json", "--serial", "nobody")[:2] == (0, "")


@pytest.mark.parametrize(
    "text",
    [
        "yesterday",
        "2026-13-01",
        "2026-02-30",
        "11/20/2026",
        "2026",
        "",
        "2026-11-20T25:00",
        "\x1b[31m",
        "9999-12-31",
    ],
)
def test_what_is_no_time(linecheck, path, text):
    status, out, err = linecheck("log", "list", "--until", text)
    assert (status, out) == (2, "")
    assert err.startswith("linecheck: --until: ")
    assert "expected 2026-11-20, or 2026-11-20T08:15" in err
    assert "\x1b" not in err


def test_a_span_that_is_none(linecheck, path):
    status, _, err = linecheck("log", "list", "--since", "2026-11-21", "--until", "2026-11-20")
    assert (status, err) == (2, "linecheck: --since and --until: the second must be later than the first\n")


@pytest.mark.parametrize(
    ("text", "begin", "end"),
    [
        ("2026-11-20", "2026-11-20T00:00:00.000000Z", "2026-11-21T00:00:00.000000Z"),
        ("2026-11-20T08:15", "2026-11-20T08:15:00.000000Z", None),
        ("2026-11-20 08:15:30.25", "2026-11-20T08:15:30.250000Z", None),
        ("2026-11-20T08:15Z", "2026-11-20T08:15:00.000000Z", None),
        ("2026-11-20T08:15+01:00", "2026-11-20T07:15:00.000000Z", None),
        ("2026-01-01T00:15+01:00", "2025-12-31T23:15:00.000000Z", None),
    ],
)
def test_times_as_people_write_them(text, begin, end):
    assert parsed_time(text, "--since") == begin
    assert parsed_time(text, "--until", end=True) == (end or begin)


@settings(max_examples=30)
@given(st.datetimes())
def test_what_a_record_writes_is_read_as_that_time(time):
    assert parsed_time(utc_text(time), "--since") == utc_text(time)


@settings(max_examples=50)
@given(st.text(max_size=30))
def test_whatever_is_typed_is_a_time_or_a_message(text):
    with contextlib.suppress(UsageError):
        assert len(parsed_time(text, "--since")) == 27
