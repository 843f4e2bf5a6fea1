"""A station and its control charts: what is shown, what is locked, and that a station without charts pays nothing."""

import subprocess
import sys

import pytest
from made_runs import made_run

from linecheck.gates import gatekeeper
from linecheck.gates.chart_signals import CHART_SET, CHART_SIGNAL
from linecheck.gates.gatekeeper import Gatekeeper
from linecheck.limits.verdict import Verdict
from linecheck.line.cures import cures
from linecheck.line.events import ChartSignalled, UnitScanned, VerdictKnown
from linecheck.line.states import NestState, State, after
from linecheck.log import Log
from linecheck.station.config.gates import ChartsConfig
from linecheck.station.config.station import Station, StationConfig


def station(nest=None, charts=ChartsConfig(lock=True)):  # noqa: B008 - frozen
    config = StationConfig(
        format=1, station="line-1", interface="simulated", mains_hz=50, nest=nest, charts=charts
    )
    return Station(config, "station.toml", "57" * 32)


@pytest.fixture
def log(tmp_path):
    with Log(tmp_path / "log.sqlite") as opened:
        yield opened


def signalled(log, nest=None, locks=True, place="line-1"):
    subject = f"{place}/{nest or ''}/pellow-r3/unit/tone/sinad/left"
    content = {"nest": nest, "locks": locks, "chart": "tone.sinad left", "says": "a value is below its limit"}
    return log.state(CHART_SIGNAL, subject, content)


def test_a_signal_stands_beside_the_verdict():
    run = made_run()
    state = after(NestState("a"), UnitScanned(run.serial))
    state = after(state, VerdictKnown(run.run_id, run.serial, run, Verdict.PASS, 1))
    found = after(state, ChartSignalled("tone.sinad left", "a value is below its limit", 7, locks=False))
    assert (found.state, found.serial) == (State.PASS, run.serial)
    assert found.note == "Control chart of tone.sinad left: a value is below its limit."


@pytest.mark.parametrize(
    ("signal", "may"),
    [
        ({}, False),
        ({"nest": "a"}, False),
        ({"nest": "b"}, True),
        ({"locks": False}, True),
        ({"place": "line-10"}, True),
    ],
)
def test_an_open_signal_locks_its_own_nest(log, signal, may):
    signalled(log, **signal)
    standing = Gatekeeper(log, station("a"), None).standing()
    assert standing.may_judge is may
    assert ("charts" in standing.record()) is not may
    if not may:
        assert standing.record()["charts"]["since"] == 1
        assert (
            "locked by control chart of tone.sinad left: a value is below its limit (record 1)"
            in standing.why
        )
        assert any("Fetch an engineer" in cure for cure in cures(standing, station("a").config))


def test_a_chart_that_is_stated_anew_ends_the_lock(log):
    signalled(log)
    log.state(CHART_SET, "line-1//pellow-r3/unit/tone/sinad/left", {})
    assert Gatekeeper(log, station(), None).standing().may_judge


@pytest.mark.parametrize("charts", [None, ChartsConfig()])
def test_a_station_that_is_not_locked_by_charts_asks_for_no_signal(log, monkeypatch, charts):
    signalled(log)
    monkeypatch.setattr(gatekeeper, "open_signals", None)
    assert Gatekeeper(log, station(charts=charts), None).standing().may_judge


def test_a_station_without_charts_imports_nothing_of_them():
    heavy = "[n for n in sys.modules if 'statistics.charts' in n or n in ('duckdb', 'scipy.stats')]"
    script = f"import linecheck.line.process, sys; print({heavy})"
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
