"""A whole run over the sound path, and its captures judged again: another process, the same to the bit."""

import json

import forked_linecheck
import pytest

from linecheck.gates.statements import SELF_CHECK
from linecheck.limits.verdict import Verdict
from linecheck.log import Log, LogReader
from linecheck.run.voiding import IN_DOUBT

pytestmark = [pytest.mark.sound, pytest.mark.every_python]

LIMITS = """format: 1
model: pellow-r3
revision: 1
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
checks:
  wiring:
    kind: wiring
    stimulus: {rate_hz: 192000, seconds: 0.4}
    masks: {order: {pass: {min: 1}}, polarity: {pass: {min: 1}}}
  tone:
    kind: tone
    stimulus: {rate_hz: 192000, seconds: 0.5}
    masks: {sinad: {pass: {min: 140}}, level: {pass: {min: 3.999, max: 4.001}}}
"""

STATION = """format = 1
station = "loopback"
interface = "sound"
mains_hz = 50
[playback]
device = "unit"
channels = [1, 2]
rates_hz = [192000]
sample_format = "float32"
[capture]
device = "unit_monitor"
rate_hz = 192000
channels = [1, 2]
full_scale_volts = [5.656854, 5.656854]
sample_format = "float32"
tail_seconds = 0.1
[records]
captures = "all"
"""


def run(server, folder, limits, station=STATION):
    (folder / "limits.yaml").write_text(limits, encoding="utf-8")
    (folder / "station.toml").write_text(station, encoding="utf-8")
    arguments = [
        "--station",
        "station.toml",
        "--limits",
        "limits.yaml",
        "--serial",
        "PR3-004711",
        "--json",
        "r.json",
    ]
    return forked_linecheck.run(folder, "run", *arguments, environment=server.environment, text=True)


def logged(folder):
    with LogReader(folder / "results/linecheck.sqlite") as log:
        assert log.verify().intact
        return log.runs()


def test_a_run_over_the_sound_path_passes_and_is_judged_to_the_same_again(pulse_server, tmp_path):
    status, out, err = run(pulse_server, tmp_path, LIMITS)
    assert status == 0, out + err
    result = json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))
    sinad = [item["value"] for item in result["readings"] if item["metric"] == "sinad"]
    # The loop gives back every bit, so what is left is the stimulus's own 24-bit TPDF dither.
    assert len(sinad) == 2
    assert min(sinad) > 140.0
    (recorded,) = logged(tmp_path)
    assert recorded.verdict is Verdict.PASS
    (folder,) = tmp_path.glob("results/PR3-004711/*/captures")
    status, out, err = forked_linecheck.run(
        tmp_path, "judge", folder, "--limits", "limits.yaml", "--json", "j.json", text=True
    )
    assert status == 0, out + err
    judged = json.loads((tmp_path / "j.json").read_text(encoding="utf-8"))
    for part in ("readings", "curves", "problems", "checks", "verdict"):
        assert judged[part] == result[part]


def test_a_volume_that_is_turned_down_after_the_loop_was_checked_is_no_unit_s_fail(pulse_server, tmp_path):
    with Log(tmp_path / "results/linecheck.sqlite") as log:
        log.state(SELF_CHECK, "loopback", {"verdict": "met", "steps": []})
    try:
        # 60 log10(0.99) = -0.26 dB: PulseAudio's volume is the cube root of the gain.
        pulse_server.set_volume("unit", "99%")
        status, out, err = run(pulse_server, tmp_path, LIMITS, STATION + '[loop]\nkind = "analogue"\n')
    finally:
        pulse_server.set_volume("unit", "100%")
    assert status == 3, out + err
    (recorded,) = logged(tmp_path)
    assert recorded.verdict is Verdict.INVALID
    (problem,) = json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))["problems"]
    assert problem["code"] == IN_DOUBT
    assert "tone level left, tone level right would fail" in out
