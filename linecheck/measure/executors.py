"""Where captures are analysed.

Beside a sound interface it is a process of its own: the analysis must not hold up the thread that feeds the
converter. Where nothing plays in real time a thread will do, and costs nothing to start.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import BrokenExecutor, Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from contextlib import contextmanager, suppress
from multiprocessing.process import BaseProcess
from typing import ParamSpec, TypeVar

Parameters = ParamSpec("Parameters")
Result = TypeVar("Result")


@contextmanager
def analysis_executor(*, own_process: bool) -> Iterator[Executor]:
    """Give an executor, and end it when it is no longer needed.

    Parameters
    ----------
    own_process : bool
        Whether the worker is a process, started by the first call of :func:`make_ready` or with the first capture;
        else there are threads, as many as there are processors, up to four.
    """
    executor = OwnProcess() if own_process else ThreadPoolExecutor(min(4, os.cpu_count() or 1), "analysis")
    try:
        yield executor
    finally:
        executor.shutdown(wait=True, cancel_futures=True)


def make_ready(executor: Executor) -> None:
    """Have the worker started and its imports done, without waiting: it takes a third of a second.

    Does nothing where the executor has been shut down meanwhile, as after a run that ended at once.
    """
    if isinstance(executor, OwnProcess):
        with suppress(RuntimeError):
            executor.submit(_warm_up)


class InlineExecutor(Executor):
    """Does what is submitted at once, in the calling thread."""

    def submit(
        self, fn: Callable[Parameters, Result], /, *args: Parameters.args, **kwargs: Parameters.kwargs
    ) -> Future[Result]:
        """Do something, and return what it came to."""
        future: Future[Result] = Future()
        try:
            future.set_result(fn(*args, **kwargs))
        except Exception as error:
            future.set_exception(error)
        return future


class OwnProcess(Executor):
    """A worker process; where it was killed, what is submitted next gets a new one."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._pool: ProcessPoolExecutor | None = None
        self._process: BaseProcess | None = None
        self._ended = False

    def submit(
        self, fn: Callable[Parameters, Result], /, *args: Parameters.args, **kwargs: Parameters.kwargs
    ) -> Future[Result]:
        """Have something done."""
        with self._lock:
            if self._ended:
                raise RuntimeError("the executor has been shut down")
            if self._pool is not None:
                try:
                    return self._pool.submit(fn, *args, **kwargs)
                except BrokenExecutor:
                    _unblock(self._pool)
                    self._pool.shutdown(wait=False, cancel_futures=True)
            # A pool of one process each: which one died is known for sure, without a protocol of our own.
            self._pool = ProcessPoolExecutor(
                1, mp_context=multiprocessing.get_context("spawn"), initializer=_serve_parent
            )
            with _no_interrupts():
                future = self._pool.submit(fn, *args, **kwargs)
            self._process = next(iter((self._pool._processes or {}).values()), None)
            return future

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """End the worker."""
        with self._lock:
            self._ended = True
            pool = self._pool
        if pool is not None:
            _unblock(pool)
            pool.shutdown(wait=wait, cancel_futures=cancel_futures)

    def kill(self) -> None:
        """End the worker at once, whatever it is at; it gets no successor."""
        with self._lock:
            self._ended = True
        if self._process is not None:
            self._process.kill()

    def exit_status(self) -> int | None:
        """Return what a worker that died ended with, below zero the signal that ended it; None if unknown."""
        with self._lock:
            pool, process = self._pool, self._process
        if pool is None or process is None:
            return None
        # The pool has waited for its process by then, so that the status is not asked for twice at once.
        _unblock(pool)
        pool.shutdown(wait=True)
        return process.exitcode


def _unblock(pool: ProcessPoolExecutor) -> None:
    """Let a pool end whose worker was killed while a capture was on its way to it.

    In Python 3.11.2, as Debian 12 has it, the thread that sends it, and with it the program's end, waits for a reader
    for ever (https://github.com/python/cpython/issues/94777). Where that is mended the pool closes the reader itself,
    and whoever closes it as well may close another file that has its number by then.
    """
    if sys.version_info >= (3, 11, 4):
        return
    reader = getattr(getattr(pool, "_call_queue", None), "_reader", None)
    if getattr(pool, "_broken", False) and reader is not None:
        reader.close()


@contextmanager
def _no_interrupts() -> Iterator[None]:
    """Let a process that is started meanwhile not hear of Ctrl-C: that stops the run, and no analysis."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _serve_parent() -> None:
    """Make sure that a worker hears of nothing but its parent, and does not outlive one that was killed."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = multiprocessing.parent_process()

    def watch() -> None:
        if parent is not None:
            parent.join()
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()


def _warm_up() -> None:
    """Load what an analysis needs, and what the numerics load only when they are first used."""
    import scipy.fft
    import scipy.ndimage
    import scipy.special  # noqa: F401

    from linecheck.checks import kinds

    kinds()
