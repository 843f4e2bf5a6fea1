"""Whole runs that are killed: nothing that was acknowledged is lost, nothing is half-written."""

import os

from announced_run import PHASES
from soak_kill import Soak


def test_whole_runs_killed_at_any_moment_lose_nothing_and_leave_nothing_half_written(tmp_path):
    summary = Soak(tmp_path, seed=20261120, environment=os.environ, leave_alone_every=6).kill(12)
    assert summary.faults == []
    assert sum(summary.kills.values()) == 12
    assert summary.kills.keys() <= set(PHASES)
    assert summary.acknowledged >= summary.runs >= 3
