"""Where captures are analysed.

Beside a sound interface it is a process of its own: the analysis must not hold up the thread that feeds the
converter. Where nothing plays in real time a thread will do, and costs nothing to start.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import contextmanager
from typing import ParamSpec, TypeVar

__all__ = ["analysis_executor"]

Parameters = ParamSpec("Parameters")
Result = TypeVar("Result")


@contextmanager
def analysis_executor(*, own_process: bool) -> Iterator[Executor]:
    """Give an executor, and end it when it is no longer needed.

    Parameters
    ----------
    own_process : bool
        Whether the worker is a process, started at once so that it is ready when the first capture is; else
        there are threads, as many as there are processors, up to four.
    """
    executor = _OwnProcess() if own_process else ThreadPoolExecutor(min(4, os.cpu_count() or 1), "analysis")
    try:
        yield executor
    finally:
        executor.shutdown(wait=True, cancel_futures=True)


class _OwnProcess(Executor):
    """A worker process; where it was killed, what is submitted next gets a new one."""

    def __init__(self) -> None:
        self._pool = _process()

    def submit(
        self, fn: Callable[Parameters, Result], /, *args: Parameters.args, **kwargs: Parameters.kwargs
    ) -> Future[Result]:
        """Have something done."""
        try:
            return self._pool.submit(fn, *args, **kwargs)
        except BrokenExecutor:
            self._pool.shutdown(wait=False, cancel_futures=True)
            self._pool = _process()
            return self._pool.submit(fn, *args, **kwargs)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End the worker."""
        self._pool.shutdown(wait=wait, cancel_futures=cancel_futures)


def _process() -> ProcessPoolExecutor:
    executor = ProcessPoolExecutor(
        1, mp_context=multiprocessing.get_context("spawn"), initializer=_end_with_parent
    )
    # Inherited by the worker: Ctrl-C at the terminal stops the run, and not the analysis of what it captured.
    on_main = threading.current_thread() is threading.main_thread()
    before = signal.signal(signal.SIGINT, signal.SIG_IGN) if on_main else None
    try:
        executor.submit(_warm_up)
    finally:
        if on_main:
            signal.signal(signal.SIGINT, before)
    return executor


def _end_with_parent() -> None:
    """Make sure that a worker does not outlive a parent that was killed."""
    parent = multiprocessing.parent_process()

    def watch() -> None:
        if parent is not None:
            parent.join()
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def _warm_up() -> None:
    """Load what an analysis needs."""
    from linecheck.checks import kinds

    kinds()
