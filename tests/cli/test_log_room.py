"""The room that a log takes: how it grows, and passes that are thinned out."""

import re
import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta

import pytest
from made_runs import made_check, made_curve, made_reading, made_run
from small_run import call

from linecheck.log import Log, LogReader
from linecheck.log.growth import growth

pytestmark = pytest.mark.every_python

RUNS = 6


@pytest.fixture
def linecheck(monkeypatch, capsys, tmp_path):
    monkeypatch.chdir(tmp_path)
    with Log("log.sqlite") as log:
        for at in range(RUNS):
            log.append(made_run(made_check(made_reading(), made_curve(points=400)), serial=f"PR3-00000{at}"))
    return lambda *arguments: call(monkeypatch, capsys, "log", *arguments, "--log", "log.sqlite")


def recorded(days_ago):
    """Let the log be that many days old; nobody can do so without breaking its chain."""
    with closing(sqlite3.connect("log.sqlite")) as log, log:
        log.execute("DROP TRIGGER run_keeps_on_update")
        log.execute(
            "UPDATE run SET recorded = ?", ((datetime.now(UTC) - timedelta(days=days_ago)).isoformat(),)
        )


def test_status_says_how_large_a_log_is_and_when_its_disk_is_full(linecheck):
    status, out, _ = linecheck("status")
    assert status == 0
    assert f"{RUNS} runs" in out
    assert re.search(r"a run takes [0-9.]+ kB", out)
    assert re.search(r"grows by [0-9.]+ kB a day, by the last 1 day with runs", out)
    assert re.search(r"free on the disk: .* full not within 10 years", out)


def test_a_disk_that_will_be_full_is_forecast(linecheck, tmp_path):
    path = tmp_path / "log.sqlite"
    today = datetime.now(UTC).date()
    with LogReader(path) as log, log.reading() as connection:
        found = growth(connection, path, today, 10**12)
        soon = growth(connection, path, today, int(12.5 * found.day_bytes))
    assert found.day_bytes == pytest.approx(RUNS * found.run_bytes)
    assert (found.full_on, soon.full_on) == (None, today + timedelta(days=12))


def test_a_log_of_nothing_new_says_that_its_growth_is_unknown(linecheck):
    recorded(days_ago=90)
    status, out, _ = linecheck("status")
    assert (status, "growth unknown: nothing was recorded lately" in out) == (0, True)


def test_nothing_is_old_enough(linecheck):
    status, out, _ = linecheck("thin", "--older-than", "30")
    assert (status, out) == (0, "nothing to thin\n")


def test_a_dry_run_removes_nothing_and_thinning_says_what_it_removed(linecheck):
    recorded(days_ago=20)
    status, out, _ = linecheck("thin", "--older-than", "10", "--keep-every", "3", "--dry-run")
    assert (status, out.startswith("would thin 4 records, ")) == (0, True)
    status, out, _ = linecheck("thin", "--older-than", "10", "--keep-every", "3")
    assert (status, out.startswith("thinned 4 records, ")) == (0, True)
    assert linecheck("thin", "--older-than", "10", "--keep-every", "3")[1] == "nothing to thin\n"
    status, out, _ = linecheck("status")
    assert "4 runs without the points of curves (linecheck log thin)" in out
    status, out, _ = linecheck("show", "PR3-000000")
    assert "curves: thinned out of the log: worst points and margins only" in out
    assert "thinned out" not in linecheck("show", "PR3-000002")[1]


def test_a_clock_that_may_be_far_ahead_thins_nothing(linecheck):
    recorded(days_ago=60)
    status, _, err = linecheck("thin", "--older-than", "30")
    assert (status, "is its clock right? Nothing was removed" in err) == (2, True)
    assert linecheck("thin", "--older-than", "30", "--clock-is-right")[0] == 0
