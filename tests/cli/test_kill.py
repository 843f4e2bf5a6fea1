"""Whole runs that are killed: nothing that was acknowledged is lost, nothing is half-written."""

import os
import signal
import time
from pathlib import Path

import pytest
from announced_run import PHASES
from forked_linecheck import start
from small_run import write_small_files
from soak_kill import Heard, Soak, marked

from linecheck.limits.verdict import Verdict
from linecheck.log import LogReader

#: In the middle of these phases the few kills of this seed fall, unless a run is faster than it was before.
SEED, AIMED_AT = 5, ("playing", "recording", "writing files", "keeping captures")


@pytest.mark.parametrize(
    ("kills", "seed", "anew"),
    [
        (len(AIMED_AT), SEED, False),
        pytest.param(60, 20261120, True, marks=[pytest.mark.soak, pytest.mark.timeout(1800)]),
    ],
)
def test_whole_runs_killed_at_any_moment_lose_nothing_and_leave_nothing_half_written(
    tmp_path, kills, seed, anew
):
    summary = Soak(tmp_path, seed, os.environ, leave_alone_every=6, anew=anew).kill(kills)
    assert summary.faults == []
    assert sum(summary.kills.values()) == kills
    assert summary.kills.keys() <= set(PHASES)
    assert summary.acknowledged >= summary.runs >= 2


def test_a_run_whose_analysis_is_killed_is_invalid_and_recorded(tmp_path):
    hear, say = os.pipe()
    arguments = ["run", *write_small_files(tmp_path), "--serial", "PR3-004711", "--json", "r.json"]
    how = {"announced": say, "environment": {"LINECHECK_SOAK": str(tmp_path)}, "text": True}
    with start(tmp_path, "--own-process", *arguments, **how) as process:
        os.close(say)
        with Heard(hear) as heard:
            heard.until("playing")
            worker = first_worker(str(tmp_path))
            os.kill(worker, signal.SIGSTOP)
            heard.until("analysing")
            os.kill(worker, signal.SIGKILL)
            heard.until(None)
        out, err = process.communicate()
    assert (process.returncode, out.splitlines()[0]) == (3, "▒ INVALID")
    # The third check waits for the reference of the first, and another process analyses it.
    told = [line for line in out.splitlines() if "the analysis was ended from outside" in line]
    assert len(told) == 1
    assert "2 checks" in told[0]
    assert "Traceback" not in out + err
    with LogReader(tmp_path / "results/linecheck.sqlite") as log:
        assert log.verify().intact
        assert [run.verdict for run in log.runs()] == [Verdict.INVALID]


def first_worker(mark):
    """Return the analysis process as soon as there is one: it takes longer to start than this to see it."""
    deadline = time.monotonic() + 20.0
    while time.monotonic() < deadline:
        workers = [process for process in list(marked(mark)) if is_worker(process)]
        if workers:
            return workers[0]
        time.sleep(0.005)
    raise AssertionError("no analysis process was started")


def is_worker(process):
    return b"spawn_main" in Path(f"/proc/{process}/cmdline").read_bytes()
