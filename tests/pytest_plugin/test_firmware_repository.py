"""The manual's firmware repository, as it stands there: of three firmwares two are at fault, and these are found."""

import os
import re
import shlex
import subprocess
import sys
import xml.etree.ElementTree as ET
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from needed import program

from linecheck.captures.capture_set import write_capture_set
from linecheck.limits.loading.load import load_limits
from linecheck.run.plan import make_plan
from linecheck.station.interfaces.simulated.interface import SimulatedInterface
from linecheck.station.interfaces.simulated.unit import SimulatedUnit

RECIPE = Path(__file__).parents[2] / "linecheck" / "manual" / "tutorials" / "firmware-ci.md"

LIMITS = """format: 1
model: pellow-r3
revision: 1
channels: [left, right]
serial_pattern: "PR3-[0-9]{6}"
decision: simple
setup: {filter: sharp}
regression: {dB: 0.5, V: 0.02, Hz: 50}
checks:
  tone:
    kind: tone
    stimulus: {frequency_hz: 997, level_dbfs: 0, rate_hz: 44100, bits: 24, seconds: 0.5}
    masks:
      level: {pass: {min: 3.9, max: 4.1}, fail: {min: 3.8, max: 4.2}}
      noise: {pass: {max: -115}, fail: {max: -110}}
  reconstruction:
    kind: reconstruction
    stimulus: {rate_hz: 44100, bits: 24, seconds: 1.2}
    masks:
      corner_3db: {pass: {min: 21550, max: 21900}, fail: {min: 21300, max: 22000}}
      pre_ringing: {pass: {min: -16, max: -11}}
"""
#: The rate that each check is captured at: the filter shows above the audio band.
CAPTURE_RATE_HZ = {"tone": 48_000, "reconstruction": 192_000}


def blocks():
    """Return the recipe's blocks of code: configuration, commands and what a failure looks like."""
    text = RECIPE.read_text(encoding="utf-8")
    found = re.findall(r"^```(\w*)\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    (configuration,) = (code for language, code in found if language == "ini")
    accept, judge = (code.strip() for language, code in found if language == "bash")
    _, failure = (code for language, code in found if not language)
    return configuration, accept, judge, failure


def played(entry, attempt, **unit):
    """Return a check's capture of the simulated unit."""
    typical = SimulatedUnit(start_seconds=(0.02, 0.05), tail_seconds=0.05, **unit)
    rate_hz = CAPTURE_RATE_HZ[entry.check.name]
    interface = SimulatedInterface(typical, capture_rate_hz=rate_hz, attempt=attempt)
    return interface.play(entry.check.name, entry.stimulus)


def noisier_left(entry, attempt):
    """Return a capture in which the left channel has 1 dB more noise: all else of both captures is the same.

    The unit's own noise rises by 1.14 dB, since what jitter and the capture add to it stays as it is.
    """
    noisy, typical = played(entry, attempt, noise_db=-116.16), played(entry, attempt, noise_db=-117.3)
    return replace(typical, samples=np.column_stack([noisy.samples[:, 0], typical.samples[:, 1]]))


FIRMWARE = {
    "1.4.2": lambda entry: played(entry, 1),
    "1.5.0": lambda entry: noisier_left(entry, 2),
    "1.6.0": lambda entry: played(entry, 3, filter="slow"),
}


def run(*command, folder):
    """Run a command as in a shell of a machine where nothing is configured; return what it printed.

    Of the plug-ins only what the README names is there: Hypothesis, which is for our tests, takes long to import.
    """
    own = {
        "GIT_CONFIG_GLOBAL": os.devnull,
        "GIT_CONFIG_NOSYSTEM": "1",
        "PYTEST_ADDOPTS": "-p no:hypothesispytest",
        "COLUMNS": "100",
    }
    own["PATH"] = os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"]])
    environment = {
        name: value for name, value in os.environ.items() if not name.startswith(("PYTEST_", "CI"))
    }
    return subprocess.run(
        command, cwd=folder, env=environment | own, capture_output=True, text=True, timeout=200
    )


@pytest.fixture(scope="module")
def repository(tmp_path_factory):
    """The repository, committed."""
    program("git")
    folder = tmp_path_factory.mktemp("firmware")
    configuration, accept, _, _ = blocks()
    for name, text in {"pytest.ini": configuration, "limits/pellow-r3.yaml": LIMITS}.items():
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text(text, encoding="utf-8")
    plan = make_plan(load_limits(folder / "limits" / "pellow-r3.yaml"))
    for firmware, take in FIRMWARE.items():
        captures = {entry.check.name: take(entry) for entry in plan.checks}
        own = folder / "captures" / firmware
        write_capture_set(own, captures, model="pellow-r3", serial="PR3-004711", firmware=firmware)
    accepted = run(*shlex.split(accept), folder=folder)
    assert accepted.returncode == 0, accepted.stderr
    who = ["-c", "user.name=A. Engineer", "-c", "user.email=engineer@pellow.example"]
    for command in (
        ["init", "--quiet"],
        ["add", "."],
        [*who, "commit", "--quiet", "-m", "Captures of 1.6.0"],
    ):
        assert run("git", *command, folder=folder).returncode == 0
    return folder


def test_one_command_in_a_clean_clone_finds_exactly_the_two_at_fault(repository, tmp_path):
    assert run("git", "clone", "--quiet", str(repository), "clone", folder=tmp_path).returncode == 0
    _, _, command, failure = blocks()
    python, *arguments = shlex.split(command)
    assert python == "python"
    done = run(sys.executable, *arguments, folder=tmp_path / "clone")
    assert done.returncode == 1, done.stdout + done.stderr
    cases = ET.parse(tmp_path / "clone" / "junit.xml").getroot().findall("testsuite/testcase")
    wrong = {(case.get("classname"), case.get("name")) for case in cases if len(case)}
    filter_items = {
        f"reconstruction.{name}"
        for channel in ("left", "right")
        for name in (f"corner_3db.{channel}", f"corner_3db.{channel}.regression", f"pre_ringing.{channel}")
    }
    assert {name for classname, name in wrong if classname == "captures.1.5.0.captures.toml"} == {
        "tone.noise.left.regression"
    }
    assert {name for classname, name in wrong if classname == "captures.1.6.0.captures.toml"} == filter_items
    assert len(wrong) == 1 + len(filter_items)
    assert len(cases) == 3 * (1 + 2 * 8)
    assert all(case[0].tag == "failure" for case in cases if len(case))
    shown = without_numbers(done.stdout)
    for line in failure.strip().splitlines():
        assert without_numbers(line) in shown


def without_numbers(text):
    """Return a text without its numbers, which another library's rounding may change, and the lines that are drawn."""
    return re.sub(r"[_=]{2,}", "__", re.sub(r"-?\d+(\.\d+)?", "#", text))
