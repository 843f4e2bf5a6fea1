"""What the tests of the pytest plugin share."""

import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from made_sets import LIMIT_FILE, RUNS
from small_run import LIMITS, simulated

from linecheck.captures import many_sets
from linecheck.captures.capture_set import INDEX_NAME, write_capture_set
from linecheck.limits.loading.load import load_limits
from linecheck.pytest_plugin.judgement import SetErrand
from linecheck.run.plan import make_plan

#: What the simulated unit is like with each firmware, judged by LIMITS: it passes, is marginal, fails.
FIRMWARE = {"1.4.2": {}, "1.5.0": {"noise_db": -108.0}, "1.6.0": {"noise_db": -85.0}}


@pytest.fixture(scope="session")
def recorded(tmp_path_factory):
    """A folder with a capture set of each firmware, and the limit file.

    One of them is judged here, so that all that takes is loaded: pytester unloads what a test of its own loads, and
    NumPy cannot be loaded twice.
    """
    folder = tmp_path_factory.mktemp("recorded")
    (folder / "limits.yaml").write_text(LIMITS, encoding="utf-8")
    limits = load_limits(folder / "limits.yaml")
    plan = make_plan(limits)
    for firmware, unit in FIRMWARE.items():
        interface = simulated(**unit)
        captures = {
            entry.check.name: interface.play(entry.check.name, entry.stimulus) for entry in plan.checks
        }
        own = folder / "captures" / firmware
        write_capture_set(own, captures, model="pellow-r3", serial="PR3-004711", firmware=firmware)
    SetErrand(folder / "captures" / "1.4.2" / INDEX_NAME, limits).run()
    return folder


@pytest.fixture
def firmware_project(recorded, pytester):
    """A project with these sets."""
    shutil.copytree(recorded, pytester.path, dirs_exist_ok=True)
    pytester.makeini(
        "[pytest]\naddopts = -p no:cacheprovider -p no:benchmark\nlinecheck_limits = limits.yaml\n"
    )
    return pytester


@pytest.fixture
def project(recorded, pytester, monkeypatch):
    """A project with a limit file, and a set for each of RUNS that was judged without measuring anything."""
    pytester.makefile(".yaml", limits=LIMIT_FILE)
    pytester.makeini("[pytest]\nlinecheck_limits = limits.yaml\naddopts = -p no:cacheprovider\n")
    judged = []

    def judge(folder, limits, *, serial=None):
        judged.append(folder)
        found = RUNS[Path(folder).name]
        if isinstance(found, Exception):
            raise found
        return replace(found, limits=limits[0])

    monkeypatch.setattr(many_sets, "judge_folder", judge)
    monkeypatch.setattr(pytester, "judged", judged, raising=False)
    return pytester
