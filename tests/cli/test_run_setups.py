"""The command line where the unit has to be set between checks."""

import json
import os
import pty
import signal
import subprocess
import sys
import time
import xml.etree.ElementTree as ET

import forked_linecheck as forked
import pytest
from small_run import STATION, call, write_small_files

LIMITS = """format: 1
model: pellow-r3
revision: 3
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
checks:
  tone:
    kind: tone
    stimulus: {seconds: 0.25}
    setups: [{gain: low}, {gain: high}]
    masks:
      sinad: {pass: {min: 90}}
  wiring:
    kind: wiring
    stimulus: {seconds: 0.25}
    setup: {gain: low}
    masks:
      order: {pass: {min: 1}}
"""


def start(folder, *arguments, stdin=forked.PIPE, station=STATION):
    """Start a run in a folder."""
    files = write_small_files(folder, limits=LIMITS, station=station)
    return forked.start(folder, "run", *files, *arguments, stdin=stdin, text=True)


def results(folder):
    """Return the results of all runs, by serial number."""
    return {
        path.parent.parent.name: json.loads(path.read_text())
        for path in folder.glob("results/*/*/result.json")
    }


def test_an_operator_confirms_by_enter_and_what_is_no_confirmation_is_said(tmp_path):
    process = start(tmp_path, "--serial", "PR3-000001")
    out, err = process.communicate("\nyes, done\n\n", timeout=60)
    assert process.returncode == 0, err
    assert err.count("then press Enter") == 2
    assert "'yes, done' is no confirmation" in err
    assert err.index("Set gain to low") < err.index("wiring: playing") < err.index("Set gain to high")
    assert "tone@gain=high" in out
    run = results(tmp_path)["PR3-000001"]
    assert [(one["value"], one["how"], one["done"]) for one in run["settings"]] == [
        ("low", "operator", True),
        ("high", "operator", True),
    ]
    assert {(one["check"], one["setup"]["gain"]) for one in run["readings"]} == {
        ("tone", "low"),
        ("tone", "high"),
        ("wiring", "low"),
    }


@pytest.mark.parametrize(
    ("answers", "why"),
    [
        ("\nx\n", "the operator said that it cannot be set"),
        ("\n", "the input ended before anyone confirmed it"),
    ],
)
def test_what_the_operator_cannot_set_is_invalid_and_the_rest_is_judged(tmp_path, answers, why):
    process = start(tmp_path, "--serial", "PR3-000001", "--keep-captures")
    _, err = process.communicate(answers, timeout=60)
    assert process.returncode == 3
    assert "Traceback" not in err
    run = results(tmp_path)["PR3-000001"]
    assert {(one["check"], one["setup"]["gain"]): one["verdict"] for one in run["checks"]} == {
        ("tone", "low"): "pass",
        ("wiring", "low"): "pass",
        ("tone", "high"): "invalid",
    }
    (problem,) = [one for one in run["problems"] if one["code"] == "setup_failed"]
    assert why in problem["message"]
    junit = ET.parse(next(tmp_path.glob("results/*/*/junit.xml")))
    cases = {
        (one.get("classname"), one.get("name")): [child.tag for child in one]
        for one in junit.iter("testcase")
    }
    assert "could not be set to gain high before tone@gain=high (operator" in junit.find(".//system-out").text
    assert cases["pellow-r3.tone@gain=high", "sinad.left"] == ["error"]
    assert cases["pellow-r3.tone@gain=low", "sinad.left"] == []
    captures = next(tmp_path.glob("results/*/*/captures/captures.toml")).read_text()
    assert captures.count('gain = "low"') == 1
    assert 'gain = "high"' not in captures


def test_scanned_units_are_each_set_anew_from_the_same_input(tmp_path):
    process = start(tmp_path, "--scan")
    _, err = process.communicate("PR3-000001\r\n\r\n\r\nPR3-000002\n\nPR3-000003\n\n", timeout=60)
    assert process.returncode == 0, err
    assert err.count("on unit PR3-000001, then press Enter") == 2
    assert err.count("on unit PR3-000002, then press Enter") == 2
    assert "'PR3-000003' is no confirmation" in err
    assert {name: run["verdict"] for name, run in results(tmp_path).items()} == {
        "PR3-000001": "pass",
        "PR3-000002": "pass",
    }


def test_an_enter_that_came_before_the_question_confirms_nothing_at_a_terminal(tmp_path):
    ours, theirs = pty.openpty()
    os.write(ours, b"\n\n")
    process = start(tmp_path, "--serial", "PR3-000001", stdin=theirs)
    os.close(theirs)
    asked = 0
    lines = []
    for line in process.stderr:
        lines.append(line)
        if "then press Enter" in line:
            asked += 1
            time.sleep(0.3)
            assert process.poll() is None
            os.write(
                ours, b"\n\n" if asked == 1 else b"\n"
            )  # the second confirms nothing: it is there too early
    assert process.wait(timeout=30) == 0, "".join(lines)
    assert asked == 2
    os.close(ours)
    process.close()
    assert min(one["seconds"] for one in results(tmp_path)["PR3-000001"]["settings"]) > 0.2


@pytest.mark.every_python
def test_a_station_s_command_replaces_the_operator(tmp_path):
    log = tmp_path / "calls"
    code = f'import sys; open("{log}", "a").write(sys.argv[1] + chr(10)); print("relay", sys.argv[1])'
    setup = f"[setup.gain]\ncommand = '''{sys.executable} -c '{code}' {{value}}'''\n"
    process = start(tmp_path, "--serial", "PR3-000001", station=STATION + setup)
    _, err = process.communicate("", timeout=60)
    assert process.returncode == 0, err
    assert log.read_text().split() == ["low", "high"]
    assert "set gain to high (command, " in err
    assert [one["output"] for one in results(tmp_path)["PR3-000001"]["settings"]] == [
        "relay low\n",
        "relay high\n",
    ]


def test_ctrl_c_at_the_question_aborts_the_run(tmp_path):
    process = start(tmp_path, "--serial", "PR3-000001")
    lines = []
    for line in process.stderr:
        lines.append(line)
        if "then press Enter" in line:
            process.send_signal(signal.SIGINT)
    assert process.wait(timeout=30) == 3
    assert "Traceback" not in "".join(lines)
    assert results(tmp_path)["PR3-000001"]["verdict"] == "aborted"
    for stream in (process.stdin, process.stdout, process.stderr):
        stream.close()


def test_a_programme_is_of_one_setup(tmp_path, monkeypatch, capsys):
    limits = write_small_files(tmp_path, limits=LIMITS)[2:]
    out = tmp_path / "p.wav"
    status, _, err = call(monkeypatch, capsys, "programme", *limits, "--out", out)
    assert status == 2
    assert "tone: gain=low or gain=high" in err
    status, _, err = call(monkeypatch, capsys, "programme", *limits, "--out", out, "--setup", "gian=low")
    assert status == 2
    assert "did you mean gain" in err
    chosen = ("--setup", "gain=high")
    status, shown, err = call(monkeypatch, capsys, "programme", *limits, "--out", out, *chosen)
    assert status == 0, err
    assert "tone@gain=high" in shown
    status, shown, err = call(
        monkeypatch, capsys, "cut", out, *limits, "--out", tmp_path / "set", "--serial", "PR3-000001", *chosen
    )
    assert status == 0, err
    assert "tone@gain=low" not in shown
    status, _, err = call(monkeypatch, capsys, "stimuli", *limits, "--out", tmp_path / "stimuli")
    assert status == 0, err
    assert {path.name for path in (tmp_path / "stimuli").iterdir()} == {
        "tone@gain=low.wav",
        "tone@gain=high.wav",
        "wiring.wav",
    }


def test_a_set_of_several_setups_goes_through_judge_baseline_and_regress(tmp_path, monkeypatch, capsys):
    margins = LIMITS.replace("checks:", "regression: {dB: 1}\nchecks:", 1)
    process = start(tmp_path, "--serial", "PR3-000001", "--keep-captures")
    process.communicate("\n\n", timeout=60)
    limits = write_small_files(tmp_path, limits=margins)[2:]
    captures = next(tmp_path.glob("results/*/*/captures"))
    monkeypatch.chdir(tmp_path)
    status, out, err = call(monkeypatch, capsys, "judge", captures, *limits, "--summary", "s.md")
    assert status == 0, err
    assert "tone@gain=high" in out
    out = ("--out", "base.toml", "--reason", "as released", "--by", "A. Engineer")
    status, _, err = call(monkeypatch, capsys, "baseline", "accept", captures, *limits, *out)
    assert status == 0, err
    assert "tone@gain=high" in (tmp_path / "base.toml").read_text()
    status, out, err = call(monkeypatch, capsys, "regress", captures, *limits, "--baseline", "base.toml")
    assert status == 0, out + err
    (tmp_path / "pytest.ini").write_text(
        "[pytest]\nlinecheck_limits = limits.yaml\nlinecheck_baseline = base.toml\n"
    )
    command = [
        sys.executable,
        "-m",
        "pytest",
        "-q",
        "-rA",
        "-p",
        "no:cacheprovider",
        "-p",
        "no:hypothesispytest",
    ]
    ended = subprocess.run(
        [*command, str(captures)], cwd=tmp_path, capture_output=True, text=True, timeout=120
    )
    assert ended.returncode == 0, ended.stdout + ended.stderr
    assert "::tone@gain=high.sinad.left" in ended.stdout
