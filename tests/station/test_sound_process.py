"""The engine's process: whatever becomes of it, the station goes on and says so."""

import os
import signal
import subprocess
import sys
import threading

import numpy as np
import pytest

from linecheck.errors import StationError
from linecheck.station.interfaces.sound import process as sound_process
from linecheck.station.interfaces.sound.engine import SideSettings, SoundSettings
from linecheck.station.interfaces.sound.process import COMMAND, SoundProcess

SETTINGS = SoundSettings(
    playback=SideSettings("unit", (1, 2), "int32"),
    capture=SideSettings("monitor", (1, 2), "int32"),
    capture_rate_hz=8000,
    latency_seconds=0.1,
    tail_seconds=0.0,
)

#: A process that opens as an engine does, and then does as it is told.
STAND_IN = """
import os, pickle, sys, time
def reply(*words):
    pickle.dump(words, sys.stdout.buffer)
    sys.stdout.buffer.flush()
def ask():
    return pickle.load(sys.stdin.buffer)
"""

SAMPLES = np.zeros((800, 2), np.int32)


@pytest.fixture
def process(monkeypatch):
    """Return a function that starts a process which runs a script in the worker's stead."""
    monkeypatch.setattr(sound_process, "CLOSE_SECONDS", 0.3)
    started = []

    def start(script):
        monkeypatch.setattr(sound_process, "COMMAND", (sys.executable, "-c", STAND_IN + script))
        started.append(SoundProcess(SETTINGS))
        return started[-1]

    yield start
    for one in started:
        one.close()


def is_gone(pid):
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    return False


def test_a_reply_is_returned(process):
    assert process("ask(); reply('done', 'found')").open() == "found"


def test_a_failure_is_a_station_error_in_its_words(process):
    engine = process("ask(); reply('failed', 'unit is in use')")
    with pytest.raises(StationError, match=r"^unit is in use$"):
        engine.open()


def test_no_reply_is_a_station_error_in_time(process, monkeypatch):
    monkeypatch.setattr(sound_process, "OPEN_SECONDS", 2.0)
    engine = process("while True: time.sleep(60)")
    with pytest.raises(StationError, match=r"did not answer for 2 s while opening the devices"):
        engine.open()
    with pytest.raises(StationError, match="has ended"):
        engine.ready(8000)


def test_a_process_that_dies_is_a_station_error_with_its_last_words(process):
    engine = process(
        "ask(); print('Assertion x != 0 failed', file=sys.stderr); sys.stderr.flush(); os.abort()"
    )
    with pytest.raises(
        StationError, match=r"while opening the devices \(status -6\): Assertion x != 0 failed"
    ):
        engine.open()


def test_a_process_that_dies_while_it_plays_is_a_station_error(process):
    engine = process("ask(); reply('done', 1); ask(); os.abort()")
    engine.open()
    with pytest.raises(StationError, match="while playing"):
        engine.play(SAMPLES, 8000)


def test_nothing_can_be_asked_of_a_process_that_is_gone(process):
    engine = process("ask(); reply('failed', 'x')")
    with pytest.raises(StationError):
        engine.open()
    with pytest.raises(StationError, match="has ended"):
        engine.play(SAMPLES, 8000)


def test_closing_waits_for_nobody_and_complains_of_nothing(process):
    engine = process("ask(); reply('done', os.getpid())\nwhile True: time.sleep(60)")
    pid = engine.open()
    engine.close()  # it would wait for ever
    assert is_gone(pid)
    engine.close()


def test_ctrl_c_ends_the_process_and_goes_on_up(process):
    engine = process("ask(); reply('done', os.getpid()); ask(); time.sleep(60)")
    pid = engine.open()
    threading.Timer(0.3, signal.raise_signal, [signal.SIGINT]).start()
    with pytest.raises(KeyboardInterrupt):
        engine.play(SAMPLES, 8000)
    assert is_gone(pid)


def test_the_worker_ends_with_its_parent():
    done = subprocess.run(COMMAND, stdin=subprocess.DEVNULL, timeout=20, check=False)
    assert done.returncode == 1


def test_the_worker_imports_nothing_slow():
    script = "import linecheck.station.interfaces.sound.worker, sys; print(*sys.modules)"
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True, timeout=60
    )
    loaded = {name.partition(".")[0] for name in done.stdout.split()}
    assert "numpy" in loaded
    assert loaded & {"pydantic", "rich", "scipy", "sqlalchemy"} == set()
