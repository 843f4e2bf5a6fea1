"""Plays over the sound interface in a process of its own, and hands over what came back.

``python sound_player.py JOB.json OUT`` plays the job; :func:`play_over` does that from a test.
"""

import json
import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np

#: What the process prints once the first stimulus is on its way.
PLAYING = "playing"


def noise(rate_hz, seconds, seed, channels=2, bits=24):
    """Return a stimulus of random words, different in each channel, 6 dB below full scale."""
    from linecheck.checks.base import Stimulus

    shape = (int(rate_hz * seconds), channels)
    words = np.random.default_rng(seed).integers(-(2 ** (bits - 2)), 2 ** (bits - 2), shape)
    return Stimulus((words << (32 - bits)).astype(np.int32), rate_hz, bits)


def sine(rate_hz, seconds, frequency_hz, channels=2):
    """Return a stimulus of a 24-bit sine, 6 dB below full scale."""
    from linecheck.checks.base import Stimulus

    values = np.sin(np.arange(int(rate_hz * seconds)) * (2.0 * np.pi * frequency_hz / rate_hz))
    words = np.round(values * 2**22).astype(np.int32) << 8
    return Stimulus(np.repeat(words[:, None], channels, axis=1), rate_hz, 24)


def station(playback, capture):
    """Return a station config; what the tables do not say is that of the 192 kHz sink."""
    from linecheck.station.config.station import StationConfig

    tables = {
        # Room for a machine that is busy with other tests.
        "playback": {"device": "unit", "channels": (1, 2), "rates_hz": (192_000,), "latency_seconds": 0.2},
        "capture": {"device": "unit_monitor", "channels": (1, 2), "rate_hz": 192_000, "tail_seconds": 0.05},
    }
    tables["playback"] |= {"sample_format": "float32"} | playback
    tables["capture"] |= {"sample_format": "float32"} | capture
    return StationConfig(format=1, station="bench", interface="sound", mains_hz=50, **tables)


def start_player(server, tmp_path, plays, playback=None, capture=None):
    """Start the process; ``plays`` lists ``("noise", {…})`` and ``("sine", {…})``."""
    job = tmp_path / "job.json"
    job.write_text(json.dumps({"plays": plays, "playback": playback or {}, "capture": capture or {}}))
    return subprocess.Popen(
        [sys.executable, __file__, str(job), str(tmp_path)],
        env=server.environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


def play_over(server, tmp_path, plays, playback=None, capture=None, timeout=60):
    """Play, wait for the end and return the report: ``captures`` and ``error`` among others."""
    process = start_player(server, tmp_path, plays, playback, capture)
    try:
        _, errors = process.communicate(timeout=timeout)
    finally:
        process.kill()
    return read_report(tmp_path, errors)


def play_each(server, tmp_path, jobs, timeout=300):
    """Play jobs one after the other in one process; return the report of each by its name.

    ``jobs`` holds by name what :func:`start_player` takes: plays, playback, capture.
    """
    for name, (plays, playback, capture) in jobs.items():
        (tmp_path / name).mkdir()
        job = {"plays": plays, "playback": playback, "capture": capture}
        (tmp_path / name / "job.json").write_text(json.dumps(job))
    folders = [
        argument for name in jobs for argument in (str(tmp_path / name / "job.json"), str(tmp_path / name))
    ]
    done = subprocess.run(
        [sys.executable, __file__, *folders],
        env=server.environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
        timeout=timeout,
    )
    return {name: read_report(tmp_path / name, done.stderr) for name in jobs}


def read_report(tmp_path, errors=""):
    """Return what the process reported."""
    path = tmp_path / "report.json"
    assert path.exists(), errors
    report = json.loads(path.read_text())
    report["captures"] = [np.load(tmp_path / f"{index}.npy") for index in range(report["played"])]
    return report


def _main(job_path, out):
    from linecheck.errors import StationError
    from linecheck.station.interfaces.sound.interface import SoundInterface

    job = json.loads(Path(job_path).read_text())
    report = {"played": 0, "events": [], "walls": [], "bits": [], "error": None}
    try:
        with SoundInterface(station(job["playback"], job["capture"])) as interface:
            stimuli = [
                {"noise": noise, "sine": sine}[kind](**parameters) for kind, parameters in job["plays"]
            ]
            for stimulus, after in zip(stimuli, [*stimuli[1:], None], strict=False):
                interface.announce(after)
                print(PLAYING, flush=True)
                begun = time.perf_counter()
                capture = interface.play("check", stimulus)
                report["walls"].append(time.perf_counter() - begun)
                np.save(Path(out) / f"{report['played']}.npy", capture.samples)
                report["events"].append(
                    [[event.code, event.seconds, event.message] for event in capture.events]
                )
                report["bits"].append(capture.bits)
                report["played"] += 1
            report["identity"] = dict(interface.identity)
    except StationError as error:
        report["error"] = str(error)
    except KeyboardInterrupt:
        report["error"] = "interrupted"
    temporary = Path(out) / "report.tmp"
    temporary.write_text(json.dumps(report))
    os.replace(temporary, Path(out) / "report.json")


if __name__ == "__main__":
    for job, folder in zip(sys.argv[1::2], sys.argv[2::2], strict=True):
        _main(job, folder)
