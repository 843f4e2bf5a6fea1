"""Units over a null sink: the time from one scan to the next over the length of the audio.

The stimuli's own length is what no station can undercut; the captures are longer by what the devices delay
and by the tail. Measured are the interface alone, check by check, and a session of ``run --scan``.
"""

import json
import re
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from station.pulse import PulseServer, missing_programs
from station.sound_player import play_over

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
latency_seconds = {latency}
[capture]
device = "unit_monitor"
rate_hz = 192000
channels = [1, 2]
full_scale_volts = [5.6569, 5.6569]
sample_format = "float32"
tail_seconds = {tail}
"""

TONE = """\
  tone_{number}:
    kind: tone
    stimulus: {{rate_hz: 192000, bits: 24, seconds: {seconds}}}
    masks: {{sinad: {{pass: {{min: 140}}}}}}
"""

HEAD = """\
format: 1
model: pellow-r3
revision: 1
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
checks:
"""

PROMPT = b"(Ctrl-C ends): "

#: Latency and tail of the station, s: for a computer that does nothing else, and with room to spare.
STATIONS = ((0.04, 0.03), (0.1, 0.1))


def _scanned(server, folder, checks, seconds, latency, tail, units):
    """Return the times from scan to scan of a session, those that lost audio left out, and a unit's audio, all in s.

    A scan comes as soon as the station asks for it, so that a time is what a line waits between two units.
    """
    tones = "".join(TONE.format(number=number, seconds=seconds) for number in range(checks))
    (folder / "r3.yaml").write_text(HEAD + tones)
    (folder / "station.toml").write_text(STATION.format(latency=latency, tail=tail))
    options = "run --station station.toml --limits r3.yaml --scan"
    with subprocess.Popen(
        [sys.executable, "-u", "-m", "linecheck", *options.split()],
        env=server.environment,
        cwd=folder,
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
    ) as session:
        said = _until(session.stderr, PROMPT)
        walls = []
        for number in range(units):
            begun = time.perf_counter()
            session.stdin.write(f"PR3-{number + 1:06}\n".encode())
            session.stdin.flush()
            said += _until(session.stderr, PROMPT)
            walls.append(time.perf_counter() - begun)
        session.stdin.close()
    length = re.search(r"(\d+) checks?, ([\d.]+) s of audio", said)
    assert length is not None, said
    results = sorted(folder.glob("results/PR3-*/*/result.json"), key=lambda path: path.stat().st_mtime)[
        -units:
    ]
    verdicts = [json.loads(result.read_text())["verdict"] for result in results]
    return [wall for wall, verdict in zip(walls, verdicts, strict=True) if verdict == "pass"], float(
        length[2]
    )


def _until(stream, ending):
    """Return what a program says up to some words."""
    said = b""
    while not said.endswith(ending):
        said += stream.read(1) or _ended(said)
    return said.decode()


def _ended(said):
    raise RuntimeError(f"the session ended: {said.decode()}")


def _interface(server, folder, latency, tail, quick):
    """Return the line of the interface alone: how much longer a check takes than its stimulus."""
    plays = [("sine", {"rate_hz": 192_000, "seconds": 1.0, "frequency_hz": 997})] * (4 if quick else 11)
    report = play_over(server, folder, plays, {"latency_seconds": latency}, {"tail_seconds": tail})
    assert report["error"] is None, report["error"]
    walls = report["walls"][1:]
    wall, frames = statistics.median(walls), len(report["captures"][-1])
    return (
        f"one check on the interface, latency {latency:g} s, tail {tail:g} s",
        f"{wall:.3f} s, capture {frames / 192_000:.3f} s",
        "stimulus 1.000 s",
        f"{wall:.2f}, {wall - 1.0:.3f} s over",
        "",
    )


def rows(quick):
    """Return the table's lines."""
    missing = missing_programs()
    if missing:
        return [("run over the sound path", f"not measured: needs {missing}", "", "", "")]
    table = []
    cases = [(4, 1.09)] if quick else [(1, 1.0), (4, 1.09), (12, 1.0)]
    units = 3 if quick else 6
    with tempfile.TemporaryDirectory() as name, PulseServer() as server:
        for latency, tail in STATIONS:
            table.append(_interface(server, Path(name), latency, tail, quick))
            for checks, seconds in cases:
                walls, audio = _scanned(server, Path(name), checks, seconds, latency, tail, units)
                lost = f" ({units - len(walls)} of {units} invalid)" if len(walls) < units else ""
                # What is done once in a session is no part of what a line waits between units.
                later = walls[1:] or walls
                if not later:
                    table.append((f"{checks} checks", f"nothing{lost}", "", "", ""))
                    continue
                wall = statistics.median(later)
                table.append(
                    (
                        f"scan to scan, {checks} checks, latency {latency:g} s, tail {tail:g} s",
                        f"{wall:.2f} s{lost}",
                        f"stimuli {audio:.2f} s",
                        f"{wall / audio:.2f}, {wall - audio:.2f} s over",
                        "",
                    )
                )
    return table
