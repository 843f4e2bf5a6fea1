"""Whole runs over the sound path: what a factory would run, with a null sink for the unit."""

import json
import os
import signal
import subprocess
import time
from types import SimpleNamespace

import forked_linecheck
import pytest
from small_run import call

from linecheck.limits.verdict import Verdict
from linecheck.log import LogReader

pytestmark = pytest.mark.sound

STATION = """\
format = 1
station = "loopback"
interface = "sound"
mains_hz = 50
[playback]
device = "unit"
channels = [1, 2]
rates_hz = [192000]
sample_format = "float32"
latency_seconds = 0.2               # room for a machine that is busy with other tests
[capture]
device = "unit_monitor"
rate_hz = 192000
channels = [1, 2]
full_scale_volts = [5.6569, 5.6569]
sample_format = "float32"
tail_seconds = 0.05
"""

LIMITS = """\
format: 1
model: pellow-r3
revision: 1
channels: [left, right]
serial_pattern: "PR3-[0-9]{{6}}"
checks:
  tone:
    kind: tone
    stimulus: {{rate_hz: 192000, bits: 24, seconds: 1.0}}
    masks: {{sinad: {{pass: {{min: 140}}}}}}
  long_tone:
    kind: tone
    stimulus: {{rate_hz: 192000, bits: 24, seconds: {seconds}}}
    masks: {{sinad: {{pass: {{min: 140}}}}}}
  wiring:
    kind: wiring
    stimulus: {{rate_hz: 192000, bits: 24}}
    masks: {{order: {{pass: {{min: 1}}}}}}
"""

RUN = [
    "run",
    "--station",
    "station.toml",
    "--limits",
    "r3.yaml",
    "--serial",
    "PR3-000001",
    "--json",
    "result.json",
]


@pytest.fixture
def bench(pulse_server, tmp_path):
    """Return how to start a run and how to read what became of it."""
    (tmp_path / "station.toml").write_text(STATION)

    def start(limits, **streams):
        (tmp_path / "r3.yaml").write_text(limits)
        how = {"environment": pulse_server.environment, "text": True, "session": True}
        return forked_linecheck.start(tmp_path, *RUN, **how, **streams)

    def finish(process, timeout):
        try:
            shown, errors = process.communicate(timeout=timeout)
        finally:
            # The workers as well, so that nothing outlives a test that failed.
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
        assert "Traceback" not in errors
        result = json.loads((tmp_path / "result.json").read_text())
        with LogReader(str(tmp_path / "results" / "linecheck.sqlite")) as log:
            assert log.verify().intact
            (recorded,) = log.show("PR3-000001")
        return SimpleNamespace(
            status=process.returncode, shown=shown, errors=errors, result=result, recorded=recorded.verdict
        )

    return SimpleNamespace(start=start, finish=finish, server=pulse_server)


def in_the_middle(process):
    """Wait until the second check plays."""
    for line in process.stderr:
        if line.startswith("[2/3]"):
            time.sleep(1.5)
            return
    pytest.fail("the second check never played")


def sinads(result, check):
    return [
        entry["value"]
        for entry in result["readings"]
        if entry["check"] == check and entry["metric"] == "sinad"
    ]


def test_a_wrong_limit_file_is_said_and_nothing_is_played(bench, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "r3.yaml").write_text(LIMITS.format(seconds="long"))
    status, _, errors = call(monkeypatch, capsys, *RUN)
    assert status == 2
    assert "r3.yaml:13:" in errors
    assert "Traceback" not in errors
    assert "[1/3]" not in errors
    assert bench.server.streams() == 0


def test_a_sound_server_that_hangs_makes_the_run_invalid(bench):
    process = bench.start(LIMITS.format(seconds=8.0))
    in_the_middle(process)
    bench.server.freeze()
    try:
        ended = bench.finish(process, 60)
    finally:
        bench.server.thaw()
    assert_invalid(ended)


def assert_invalid(ended):
    assert ended.status == 3
    assert ended.result["verdict"] == "invalid"
    assert "stopped delivering audio" in json.dumps(ended.result["problems"])
    assert "stopped delivering audio" in ended.shown
    assert min(sinads(ended.result, "tone")) > 140.0
    assert ended.recorded is Verdict.INVALID


def test_ctrl_c_aborts_the_run_and_keeps_what_was_measured(bench):
    process = bench.start(LIMITS.format(seconds=8.0))
    in_the_middle(process)
    os.killpg(process.pid, signal.SIGINT)
    ended = bench.finish(process, 60)
    assert ended.status == 3
    assert ended.result["verdict"] == "aborted"
    assert min(sinads(ended.result, "tone")) > 140.0
    assert ended.recorded is Verdict.ABORTED
    assert bench.server.streams() == 0


SETUPS = """\
format: 1
model: pellow-r3
revision: 1
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
checks:
  tone:
    kind: tone
    stimulus: {rate_hz: 192000, bits: 24, seconds: 0.5}
    setups: [{filter: sharp}, {filter: slow}]
    masks: {sinad: {pass: {min: 140}}}
  wiring:
    kind: wiring
    stimulus: {rate_hz: 192000, bits: 24}
    setup: {filter: sharp}
    masks: {order: {pass: {min: 1}}}
"""


def test_a_run_passes_with_a_sinad_above_140_db_though_the_operator_takes_his_time(bench):
    process = bench.start(SETUPS, stdin=subprocess.PIPE)
    asked = 0
    try:
        for line in process.stderr:
            if "then press Enter" in line:
                asked += 1
                time.sleep(3.5 if asked == 2 else 0.0)
                process.stdin.write("\n")
                process.stdin.flush()
            if line.startswith("[3/3]"):
                break
    finally:
        ended = bench.finish(process, 60)
    assert asked == 2
    assert ended.status == 0, ended.errors
    assert (ended.result["verdict"], ended.recorded) == ("pass", Verdict.PASS)
    assert ended.result["problems"] == []
    found = sinads(ended.result, "tone")
    assert len(found) == 4
    assert min(found) > 140.0
    assert ended.result["settings"][1]["seconds"] > 3.0
