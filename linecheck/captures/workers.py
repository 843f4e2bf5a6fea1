"""The workers that judge many sets: an executor, and how to use it.

===============================  ============================================================
:func:`set_workers`              processes of this machine, or the calling thread
:class:`Workers`                 what :func:`linecheck.captures.many_sets.judge_sets` asks of them
:class:`WorkerProcesses`         processes that work side by side, each on one task at a time
:class:`WorkerDied`              what becomes of the task of one that dies
===============================  ============================================================

Those of a cluster are in :mod:`linecheck.captures.cluster`.
"""

from __future__ import annotations

import math
import os
import queue
import signal
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import ParamSpec, TypeVar

from linecheck.measure.executors import InlineExecutor, OwnProcess

Parameters = ParamSpec("Parameters")
Result = TypeVar("Result")

#: Linux, control groups version 2: microseconds of processor time in each period, or ``max``.
QUOTA = Path("/sys/fs/cgroup/cpu.max")


class WorkerDied(BrokenExecutor):
    """A worker died at its task, and nobody knows how far it came.

    Attributes
    ----------
    workers : int
        How many have died of it, one after the other.
    certain : bool
        Whether they were at work on nothing else.
    """

    def __init__(self, message: str, *, workers: int = 1, certain: bool = True) -> None:
        super().__init__(message)
        self.workers = workers
        self.certain = certain


class WorkerProcesses(Executor):
    """An executor whose every task has a process to itself while it is at work.

    A process that dies (killed for its memory, or by a fault in a library) takes with it what it was at work on and
    nothing else: the others go on, and what it died of is known for sure. One pool of the standard library for all
    would end all its processes and fail all that it was given; so each process is a pool of one.

    Parameters
    ----------
    count : int
        How many processes there are; each is started with the first task that it gets.
    """

    def __init__(self, count: int) -> None:
        self._processes = tuple(OwnProcess() for _ in range(count))
        self._idle: queue.SimpleQueue[OwnProcess] = queue.SimpleQueue()
        for process in self._processes:
            self._idle.put(process)
        # A thread for each process does nothing but wait for it.
        self._threads = ThreadPoolExecutor(count, "worker")

    def submit(
        self, fn: Callable[Parameters, Result], /, *args: Parameters.args, **kwargs: Parameters.kwargs
    ) -> Future[Result]:
        """Have something done; its future fails with :class:`WorkerDied` where its process dies."""

        def work() -> Result:
            process = self._idle.get()
            try:
                return process.submit(fn, *args, **kwargs).result()
            except BrokenExecutor as error:
                raise WorkerDied(_death(process.exit_status())) from error
            finally:
                self._idle.put(process)

        return self._threads.submit(work)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Take nothing more; end the processes once they are done, or at once where nobody waits for them."""
        self._threads.shutdown(wait=wait, cancel_futures=cancel_futures or not wait)
        for process in self._processes:
            process.shutdown() if wait else process.kill()


def _death(status: int | None) -> str:
    """Return what became of a process, in words."""
    if status is None or status >= 0:
        return "its process is gone" if status is None else f"its process ended with status {status}"
    try:
        name = signal.Signals(-status).name
    except ValueError:
        return f"its process was ended by signal {-status}"
    return f"its process was ended by {name}" + ", as happens where memory runs out" * (name == "SIGKILL")


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
