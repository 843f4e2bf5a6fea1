"""Processes that work side by side, each on one thing at a time.

A process that dies (killed for its memory, or by a fault in a library) takes with it what it was at work on and
nothing else: the others go on, what waits goes to them or to its successor, and what it died of is known for sure.
A pool of the standard library ends all its processes and fails all that it was given.
"""

from __future__ import annotations

import multiprocessing
import pickle
import queue
import signal
from collections.abc import Callable
from concurrent.futures import BrokenExecutor, Executor, Future, ThreadPoolExecutor
from contextlib import suppress
from multiprocessing.connection import Connection
from typing import Any, ParamSpec, TypeVar

from linecheck.measure.executors import no_interrupts, serve_parent

__all__ = ["WorkerDied", "WorkerProcesses"]

Parameters = ParamSpec("Parameters")
Result = TypeVar("Result")

#: So long may a process take to end that was asked to, or that has closed its end of the connection.
ENDING_SECONDS = 5.0


class WorkerDied(BrokenExecutor):
    """Whatever worked on it is gone, and nobody knows how far it came.

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

    Parameters
    ----------
    count : int
        How many processes there are; each is started with the first task that it gets.
    """

    def __init__(self, count: int) -> None:
        self._workers = tuple(_Worker() for _ in range(count))
        self._idle: queue.SimpleQueue[_Worker] = queue.SimpleQueue()
        for worker in self._workers:
            self._idle.put(worker)
        # A thread for each process does nothing but wait for it.
        self._threads = ThreadPoolExecutor(count, "worker")

    def submit(
        self, fn: Callable[Parameters, Result], /, *args: Parameters.args, **kwargs: Parameters.kwargs
    ) -> Future[Result]:
        """Have something done; its future fails with :class:`WorkerDied` where its process dies."""
        return self._threads.submit(self._work, fn, args, kwargs)

    def _work(self, fn: Callable[..., Result], args: tuple[Any, ...], kwargs: dict[str, Any]) -> Result:
        worker = self._idle.get()
        try:
            result: Result = worker.work(fn, args, kwargs)
            return result
        finally:
            self._idle.put(worker)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Take nothing more; end the processes once they are done, or at once where nobody waits for them."""
        self._threads.shutdown(wait=wait, cancel_futures=cancel_futures or not wait)
        for worker in self._workers:
            worker.end(at_once=not wait)


class _Worker:
    """One process, started when it is needed; used by one thread at a time."""

    def __init__(self) -> None:
        self._process: multiprocessing.process.BaseProcess | None = None
        self._connection: Connection | None = None
        self._ended = False

    def work(self, fn: Callable[..., Any], args: tuple[Any, ...], kwargs: dict[str, Any]) -> Any:  # noqa: ANN401
        """Have something done and return what it came to, or raise what it raised."""
        task = pickle.dumps((fn, args, kwargs))
        connection = self._started()
        try:
            connection.send_bytes(task)
            done, result = pickle.loads(connection.recv_bytes())
        except (EOFError, OSError) as error:
            raise WorkerDied(self._death()) from error
        if not done:
            raise result
        return result

    def end(self, *, at_once: bool) -> None:
        """Let the process end; it must not be at work, unless ``at_once``."""
        self._ended = True
        process, connection = self._process, self._connection
        if process is None:
            return
        if at_once:
            process.kill()
        elif connection is not None:
            connection.close()
        process.join(ENDING_SECONDS)
        if process.is_alive():
            process.kill()

    def _started(self) -> Connection:
        """Return the connection to the process, started anew where there is none."""
        if self._ended:
            raise WorkerDied("the workers were told to end")
        if self._process is None or self._connection is None or not self._process.is_alive():
            context = multiprocessing.get_context("spawn")
            self._connection, other = context.Pipe()
            self._process = context.Process(target=_serve, args=(other,), daemon=True, name="worker")
            with no_interrupts():
                self._process.start()
            other.close()
        return self._connection

    def _death(self) -> str:
        """Return what became of the process, and leave it behind."""
        process, connection = self._process, self._connection
        self._process = self._connection = None
        if connection is not None:
            connection.close()
        if process is None:
            return "its process is gone"
        process.join(ENDING_SECONDS)
        status = process.exitcode
        process.kill()
        if status is None or status >= 0:
            return f"its process ended with status {status}"
        with suppress(ValueError):
            name = signal.Signals(-status).name
            cause = ", as happens where memory runs out" if name == "SIGKILL" else ""
            return f"its process was ended by {name}{cause}"
        return f"its process was ended by signal {-status}"


def _serve(connection: Connection) -> None:
    """Do what the parent sends, one thing after another, until it closes the connection."""
    serve_parent()
    with suppress(EOFError, OSError):
        while True:
            connection.send_bytes(_reply(connection.recv_bytes()))


def _reply(task: bytes) -> bytes:
    """Do a task and return what it came to; an error is sent as one that can be."""
    try:
        fn, args, kwargs = pickle.loads(task)
        return pickle.dumps((True, fn(*args, **kwargs)))
    except BaseException as error:
        try:
            reply = pickle.dumps((False, error))
            pickle.loads(reply)
        except Exception:
            return pickle.dumps((False, RuntimeError(f"{type(error).__name__}: {error}")))
        return reply
