"""Where captures are analysed.

Beside a sound interface it is a process of its own: the analysis must not hold up the thread that feeds the
converter. Where nothing plays in real time a thread will do, and costs nothing to start.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import contextmanager

__all__ = ["analysis_executor"]


@contextmanager
def analysis_executor(*, own_process: bool) -> Iterator[Executor]:
    """Give an executor, and end it when it is no longer needed.

    Parameters
    ----------
    own_process : bool
        Whether the worker is a process, started at once so that it is ready when the first capture is; else
        there are threads, as many as there are processors, up to four.
    """
    executor = _process() if own_process else ThreadPoolExecutor(min(4, os.cpu_count() or 1), "analysis")
    try:
        yield executor
    finally:
        executor.shutdown(wait=True, cancel_futures=True)


def _process() -> Executor:
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
