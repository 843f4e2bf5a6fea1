"""Who judges many sets: an executor, with what has to be known of it besides.

===============================  ============================================================
:func:`set_workers`              processes of this machine, or the calling thread
:class:`Workers`                 what :func:`linecheck.captures.many_sets.judge_sets` asks of them
===============================  ============================================================

Those of a cluster are in :mod:`linecheck.captures.cluster`.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from concurrent.futures import Executor
from contextlib import contextmanager, suppress
from pathlib import Path

from linecheck.captures.worker_processes import WorkerProcesses
from linecheck.measure.executors import InlineExecutor

__all__ = ["Workers", "processors", "set_workers"]

#: Linux, control groups version 2: microseconds of processor time in each period, or ``max``.
QUOTA = Path("/sys/fs/cgroup/cpu.max")


class Workers:
    """An executor, and how it is to be used.

    Parameters
    ----------
    executor : Executor
    at_a_time : int
        How many tasks keep it busy.
    """

    #: Why a set was not judged whose task was cancelled, though nobody here did that.
    let_go = "it was cancelled"

    def __init__(self, executor: Executor, at_a_time: int) -> None:
        self.executor = executor
        self._at_a_time = at_a_time

    @property
    def at_a_time(self) -> int:
        """How many tasks it should have at a time."""
        return self._at_a_time

    @property
    def lost(self) -> str | None:
        """Why no result will come any more, None where all is well."""
        return None

    def cause(self, error: BaseException) -> BaseException:
        """Return a task's error, as a ``WorkerDied`` where that is what it means."""
        return error

    def abandon(self) -> None:
        """Let everything go that is not done yet."""
        self.executor.shutdown(wait=False, cancel_futures=True)


def processors(quota: Path = QUOTA) -> int:
    """Return how many processors this process may use, at least 1.

    Parameters
    ----------
    quota : Path
        Where the system says what share of them a container has: on a large machine that may be few of many.
    """
    try:
        found = len(os.sched_getaffinity(0))
    except AttributeError:  # no such thing on this system
        found = os.cpu_count() or 1
    with suppress(OSError, ValueError, ZeroDivisionError):
        share, period = quota.read_text(encoding="ascii").split()
        found = min(found, math.ceil(int(share) / int(period)))
    return max(found, 1)


@contextmanager
def set_workers(count: int) -> Iterator[Workers]:
    """Give so many processes, ended at the end; with 0 the calling thread does it all.

    One task more than there are processes waits for the first that is free, so that none is ever idle.
    """
    if count == 0:
        yield Workers(InlineExecutor(), 1)
        return
    executor = WorkerProcesses(count)
    try:
        yield Workers(executor, 2 * count)
    except BaseException:
        executor.shutdown(wait=False)
        raise
    executor.shutdown(wait=True)
