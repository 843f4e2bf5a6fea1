"""A run over a null sink: wall time over the length of the audio.

The stimuli's own length is what no station can undercut; the captures are longer by what the devices delay
and by the tail. Measured are the interface alone, check by check, and the whole command from start to end.
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

#: Latency and tail of the station, s: for a computer that does nothing else, and with room to spare.
STATIONS = ((0.04, 0.03), (0.1, 0.1))


def _run(server, folder, checks, seconds, latency, tail):
    """Return the wall time of a run and the length of its stimuli; None where the machine lost audio."""
    tones = "".join(TONE.format(number=number, seconds=seconds) for number in range(checks))
    (folder / "r3.yaml").write_text(HEAD + tones)
    (folder / "station.toml").write_text(STATION.format(latency=latency, tail=tail))
    options = "run --station station.toml --limits r3.yaml --serial PR3-000001 --json result.json"
    begun = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "linecheck", *options.split()],
        env=server.environment,
        cwd=folder,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=300,
    )
    wall = time.perf_counter() - begun
    if done.returncode == 3:
        return None
    assert done.returncode == 0, f"{done.stdout}\n{done.stderr}"
    result = json.loads((folder / "result.json").read_text())
    sinad = min(entry["value"] or 0.0 for entry in result["readings"] if entry["metric"] == "sinad")
    assert sinad > 140.0, f"SINAD {sinad:.1f} dB"
    length = re.search(r"(\d+) checks?, ([\d.]+) s of audio", done.stderr)
    assert length is not None, done.stderr
    return wall, float(length[2])


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
    cases = [(4, 1.0)] if quick else [(1, 1.0), (4, 1.0), (12, 1.0), (4, 5.0)]
    with tempfile.TemporaryDirectory() as name, PulseServer() as server:
        for latency, tail in STATIONS:
            table.append(_interface(server, Path(name), latency, tail, quick))
            for checks, seconds in cases:
                runs = [
                    _run(server, Path(name), checks, seconds, latency, tail) for _ in range(1 if quick else 3)
                ]
                whole = [run for run in runs if run is not None]
                lost = f" ({len(runs) - len(whole)} of {len(runs)} invalid)" if None in runs else ""
                if not whole:
                    table.append((f"run of {checks} checks", f"nothing{lost}", "", "", ""))
                    continue
                wall, audio = min(whole)
                table.append(
                    (
                        f"run of {checks} checks, latency {latency:g} s, tail {tail:g} s",
                        f"{wall:.2f} s{lost}",
                        f"stimuli {audio:.2f} s",
                        f"{wall / audio:.2f}, {wall - audio:.2f} s over",
                        f"at most {0.05 * audio + 1.0:.2f} s over",
                    )
                )
    return table
