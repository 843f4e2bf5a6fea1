"""`linecheck statistics chart`, `chart-set`, `chart-answer` and `drift`, and a station that follows its charts."""

import csv
import json
import re

import numpy as np
import pytest
from charted_runs import charted, steady, units
from small_run import STATION, write_small_files

from linecheck.gates.chart_signals import CHART_SET
from linecheck.limits.verdict import Verdict
from linecheck.line.charts import followed
from linecheck.log import Log, LogReader
from linecheck.run.facts import Asset
from linecheck.statistics.charts.chart import Design
from linecheck.statistics.charts.stated import UNITS, PhaseOne, Plotted, state_from

WHO = ("--by", "Q. Engineer", "--reason", "first month")


@pytest.fixture
def path(tmp_path):
    """A log of 50 steady units, a retest and a bound among them."""
    path = tmp_path / "log.sqlite"
    with Log(path) as log:
        for run in units(steady(50)):
            log.append(run)
        log.append(charted(90.0, "PR3-000003"))
        log.append(charted(130.0, "PR3-000099", verdict=Verdict.PASS, is_bound=True))
    return path


def stated_by_hand(path, design, values, **of):
    """State a chart of the station's simulated units."""
    plotted = Plotted("bench", None, "pellow-r3", UNITS, "tone", "sinad", "left")
    with Log(path) as log:
        stated = state_from(
            PhaseOne(values, [1] * len(values), "dB"), plotted, design, "Q. Engineer", "a set"
        )
        log.state(CHART_SET, plotted.subject, stated.content())


@pytest.mark.every_python
def test_a_set_is_stated_and_its_chart_shown(linecheck, path, tmp_path):
    status, out, _ = linecheck("statistics", "chart-set", "tone.sinad", "--log", path, *WHO)
    assert status == 0
    assert "50 values, stated by Q. Engineer, record 53: first month" in out
    assert "1 runs have a bound only and are not in the set" in out
    with Log(path) as log:
        for run in units(steady(40, 2, centre=114.6), first=200):
            log.append(run)
            followed(log, "line-1", locks=False)
    page, table = tmp_path / "chart.html", tmp_path / "chart.csv"
    status, out, _ = linecheck(
        "statistics", "chart", "tone.sinad", "--log", path, "--out", page, "--csv", table
    )
    assert status == 1
    assert "1 with a bound only, 0 not measured" in out
    assert re.search(r"PR3-0002\d\d  .*  the moving average is below its limit", out)
    with LogReader(path) as log:
        signals = log.statements("chart_signal")
    rows = list(csv.DictReader(table.read_text().splitlines()))
    assert len(rows) == 91
    told = [int(row["record"]) for row in rows if row["signal"]]
    # What the station told as it went along is what the chart shows afterwards.
    assert told == [each.content["record"] for each in reversed(signals)]
    assert "signal" in page.read_text()
    status, out, _ = linecheck("statistics", "chart", "tone.sinad", "--log", path, "--json")
    assert [point["record"] for point in json.loads(out)["points"] if point["signal"]] == told
    number = signals[0].sequence
    status, out, _ = linecheck(
        "statistics",
        "chart-answer",
        number,
        "--log",
        path,
        "--by",
        "Q. Engineer",
        "--reason",
        "new resistors",
    )
    assert (status, f"of signal {number}" in out) == (0, True)
    status, _, err = linecheck("statistics", "chart-answer", number, "--log", path, *WHO)
    assert (status, "is no signal that waits for an answer; there are: none" in err) == (2, True)


def test_a_set_that_is_stated_late_shows_what_came_after_it(linecheck, tmp_path):
    path = tmp_path / "log.sqlite"
    with Log(path) as log:
        for run in units([*steady(40), *steady(40, 2, centre=114.2)]):
            log.append(run)
        until = log.runs(limit=100)[::-1][40].logged.recorded
    status, out, err = linecheck(
        "statistics", "chart-set", "tone.sinad", "--log", path, "--until", until, *WHO
    )
    assert status == 0, err
    page = tmp_path / "chart.html"
    status, out, _ = linecheck("statistics", "chart", "tone.sinad", "--log", path, "--out", page)
    assert status == 1
    told = re.search(r"after the phase-1 set +(4[01]) units of 80 shown, (\d+) signals?", out)
    assert int(told[2]) > 0
    assert told[2] + " signal" in page.read_text("utf-8")


def test_drift_refuses_an_asset_that_no_run_has(linecheck, path):
    status, _, err = linecheck("statistics", "drift", "tone.sinad", "--log", path, "--worn", "CB-99")
    assert status == 2
    assert "--worn CB-99: no run here has that asset" in err


def test_a_chart_without_a_set_says_what_to_do(linecheck, path):
    status, _, err = linecheck("statistics", "chart", "tone.sinad", "--log", path)
    assert (status, "linecheck statistics chart-set" in err) == (2, True)
    status, out, _ = linecheck(
        "statistics", "chart", "tone.sinad", "--log", path, "--first", 30, "--kind", "cusum", "--arl", 1000
    )
    assert status in (0, 1)
    assert "every 1000 units on average" in out
    status, _, err = linecheck("statistics", "chart", "tone.sinad", "--log", path, "--first", 60)
    assert (status, "--first 60: tone.sinad left has 50 measured values here" in err) == (2, True)
    status, _, err = linecheck("statistics", "chart", "tone.sinat", "--log", path, "--first", 30)
    assert (status, "no picked run has tone.sinat; the newest have tone.sinad" in err) == (2, True)
    status, _, err = linecheck(
        "statistics", "chart", "tone.sinad", "--log", path, "--first", 30, "--channel", "l"
    )
    assert (status, "has no channel l; there are: left" in err) == (2, True)


def test_a_station_follows_its_charts_and_is_locked_by_them(linecheck, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    files = write_small_files(tmp_path, station=f"{STATION}[charts]\nlock = true\n")
    path = tmp_path / "results" / "linecheck.sqlite"
    # No simulated unit is as bad.
    stated_by_hand(path, Design("individuals"), (50.0 + np.arange(30) % 3).tolist())
    status, _, err = linecheck("run", *files, "--serial", "PR3-000001")
    assert status == 0
    assert "control chart of tone.sinad left (pellow-r3, station bench): a value is above its limit" in err
    status, _, err = linecheck("run", *files, "--serial", "PR3-000002")
    assert status == 3
    assert "PR3-000002 is not tested: the station is locked by control chart of tone.sinad left" in err
    status, out, _ = linecheck("station", "status", "--station", files[1])
    assert (status, "chart-answer" in out) == (3, True)
    with LogReader(path) as log:
        (signal,) = log.statements("chart_signal")
    assert linecheck("statistics", "chart-answer", signal.sequence, "--station", files[1], *WHO)[0] == 0
    assert linecheck("station", "status", "--station", files[1])[0] == 0
    # The same again: the chart has begun anew, and signals anew.
    assert linecheck("run", *files, "--serial", "PR3-000002")[0] == 0
    assert linecheck("station", "status", "--station", files[1])[0] == 3


def test_self_checks_have_their_own_chart(linecheck, tmp_path):
    path = tmp_path / "log.sqlite"
    with Log(path) as log:
        for value in [*steady(30, centre=-107.0), None, -107.0, -100.0]:
            entry = {"what": "noise", "channel": "left", "value": value, "unit": "dB", "is_bound": False}
            log.state("self_check", "line-1", {"steps": [{"name": "noise", "measured": [entry]}]})
    which = ("noise.noise", "--channel", "left", "--self-checks", "--log", path)
    status, _, err = linecheck("statistics", "chart", "noise.gain", *which[1:], "--first", 25)
    assert (status, "no self-check measured noise.gain left; the newest measured noise.noise" in err) == (
        2,
        True,
    )
    status, out, _ = linecheck("statistics", "chart", *which, "--first", 30, "--kind", "individuals")
    assert status == 1
    assert "control chart of noise.noise left (self-checks, station line-1)" in out
    assert "0 with a bound only, 1 not measured" in out
    assert re.search(r"  33  –  +−100 dB  a value is above its limit", out)
    status, out, _ = linecheck("statistics", "chart-set", *which, "--leave-out", 33, *WHO)
    assert (status, "31 values, stated by Q. Engineer, record 34" in out) == (0, True)
    assert linecheck("statistics", "chart", *which)[0] == 0


def test_a_signal_stands_with_its_run(linecheck, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    files = write_small_files(tmp_path, station=f"{STATION}[charts]\n")
    path = tmp_path / "results" / "linecheck.sqlite"
    stated_by_hand(path, Design("individuals"), (50.0 + np.arange(30) % 3).tolist())
    linecheck("run", *files, "--serial", "PR3-000001")
    told = "control chart of tone.sinad left (pellow-r3, station bench): a value is above its limit ("
    assert told in linecheck("log", "show", "PR3-000001")[1]


def test_a_station_that_only_tells_is_not_locked(linecheck, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    files = write_small_files(tmp_path, station=f"{STATION}[charts]\n")
    stated_by_hand(
        tmp_path / "results" / "linecheck.sqlite", Design("individuals"), (50.0 + np.arange(30) % 3).tolist()
    )
    assert "is above its limit" in linecheck("run", *files, "--serial", "PR3-000001")[2]
    assert linecheck("run", *files, "--serial", "PR3-000002")[0] == 0


def test_drift_of_bounds_cannot_be_told(linecheck, path):
    with Log(path) as log:
        for number in range(5):
            log.append(charted(130.0, f"PR3-0005{number:02d}", verdict=Verdict.PASS, is_bound=True))
    status, out, _ = linecheck("statistics", "drift", "tone.sinad", "--log", path)
    assert (status, "6 of 56 runs have a bound only, and may lie anywhere" in out) == (3, True)


def test_worn_contacts_are_told_by_their_assets(linecheck, tmp_path):
    """The probe of one nest wears, and is replaced twice; another nest is as it was."""
    path, random = tmp_path / "log.sqlite", np.random.default_rng(4)
    with Log(path) as log:
        for number in range(360):
            probe, cycles = f"PB-{number // 120}", number % 120
            value = 115.0 - 0.6 * cycles / 120 * (number % 2) + 0.2 * random.standard_normal()
            nest, assets = ("a", ()) if number % 2 == 0 else ("b", (Asset("probe", probe),))
            log.append(charted(value, f"PR3-{number:06d}", nest=nest, assets=assets))
    worn = [word for probe in ("PB-0", "PB-1", "PB-2") for word in ("--worn", probe)]
    status, out, _ = linecheck("statistics", "drift", "tone.sinad", "--log", path, *worn)
    assert status == 1
    assert "▲ nest line-1/b has moved, little by little, by −0.5" in out
    assert "with the mating cycles of its contacts" in out


def test_drift_says_what_has_moved_and_what_cannot_be_told(linecheck, tmp_path):
    def told(name, move, goldens):
        path = tmp_path / f"{name}.sqlite"
        values = steady(300, sigma=0.2) - move * (np.arange(300) >= 180)
        random = np.random.default_rng(5)
        with Log(path) as log:
            for number, run in enumerate(units(values)):
                log.append(run)
                if goldens and number % 12 == 11:
                    value = 114.0 + 0.03 * random.standard_normal()
                    log.append(charted(value, "PR3-900001", purpose="golden"))
        page = tmp_path / f"{name}.html"
        status, out, _ = linecheck("statistics", "drift", "tone.sinad", "--log", path, "--out", page)
        assert "What may have moved" in page.read_text()
        return status, out

    status, out = told("product", 0.2, True)
    assert (status, "▲ the product has moved by −0.2" in out) == (1, True)
    status, out = told("alone", 0.2, False)
    assert status == 3
    assert "whether it is the product or station line-1 cannot be told: neither golden units nor other" in out
    status, out = told("still", 0.0, True)
    assert (status, "● no move is shown" in out) == (0, True)
