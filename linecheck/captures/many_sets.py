"""Many capture sets, judged side by side by workers of any sort, and accounted for one by one in the order given.

Whatever befalls a set befalls it alone: one that cannot be read is refused by name, one whose worker died is judged
again, and one that kills whoever judges it is given up after a few workers. Each of them is invalid, none is lost.
"""

from __future__ import annotations

import os
import platform
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, CancelledError, Future, wait
from dataclasses import dataclass, field
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from linecheck.captures.judging import judge_folder
from linecheck.captures.workers import WorkerDied, Workers
from linecheck.checks.base import Problem
from linecheck.errors import LinecheckError, RecordError
from linecheck.limits.model import LimitFile
from linecheck.limits.verdict import Verdict
from linecheck.run.model import Run
from linecheck.run.settle import settled
from linecheck.station.events import ignore_event

#: So many workers may die of a set before it is given up.
MAX_DEATHS = 3
#: So many sets that are judged already may wait for one before them, besides those that are at work.
MAX_AHEAD = 16
#: How often a request to stop and the workers' health are looked at.
LOOK_SECONDS = 0.2


@dataclass(frozen=True)
class SetTask:
    """All that a worker is told, in one piece: a worker anywhere needs nothing else but the set's files.

    ``folder`` is an absolute path, ``shown`` the path as it was given; ``software`` is what must be installed
    there, so that the result is the same as here. ``seen`` is whether there is anything at that path here.
    """

    folder: str
    shown: str
    seen: bool
    limits: tuple[LimitFile, ...]
    serial: str | None
    software: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class JudgedSet:
    """The result of one set: its run, or the problem that kept it from being judged.

    ``path`` is as it was given, ``record`` its record in the log, ``SEQUENCE:HASH``; empty where it has none.
    """

    path: str
    outcome: Run | None = None
    problem: Problem | None = None
    record: str = ""

    @classmethod
    def of(cls, path: str, result: Run | Problem) -> JudgedSet:
        """Return what a worker has made of a set."""
        return cls(path, problem=result) if isinstance(result, Problem) else cls(path, result)

    @property
    def verdict(self) -> Verdict:
        """Its verdict; never a pass where it was not judged."""
        if self.outcome is not None:
            return self.outcome.verdict
        stopped = self.problem is not None and self.problem.code == "not_judged"
        return Verdict.ABORTED if stopped else Verdict.INVALID

    @property
    def why(self) -> str:
        """Why it was not judged, without its path before it; empty where it was."""
        return "" if self.problem is None else self.problem.message.removeprefix(f"{self.path}: ")


@dataclass(frozen=True)
class SetsStarted:
    """So many sets are to be judged."""

    total: int


@dataclass(frozen=True)
class SetJudged:
    """The result of a set, in the order of judging."""

    judged: JudgedSet


@dataclass(frozen=True)
class SetBegunAgain:
    """A worker died at a set, which is judged again."""

    path: str
    why: str


SetEvent = SetsStarted | SetJudged | SetBegunAgain

#: Called from the calling thread.
SetListener = Callable[[SetEvent], None]


@cache
def software_here() -> tuple[tuple[str, str], ...]:
    """Return the software that a result depends on, by name and version."""
    found = [("python", ".".join(platform.python_version_tuple()[:2]))]
    for name in ("linecheck", "numpy", "scipy"):
        try:
            found.append((name, version(name)))
        except PackageNotFoundError:
            found.append((name, "unknown"))
    return tuple(found)


def judge_task(task: SetTask) -> Run | Problem:
    """Judge a set, in the calling thread of any process; what is wrong with the set comes back as a problem."""
    here = software_here()
    if here != task.software:
        lacks = ", ".join(f"{name} {wanted}" for name, wanted in task.software if (name, wanted) not in here)
        return Problem("other_software", f"its worker lacks {lacks}: install it there")
    if task.seen and not os.path.exists(task.folder):
        words = "the worker does not see it: all workers must see the sets under the same path"
        return Problem("set_refused", f"{task.shown}: {words}, {task.folder}")
    try:
        return settled(judge_folder(task.folder, task.limits, serial=task.serial))
    except RecordError as error:
        return Problem("judging_failed", str(error))
    except LinecheckError as error:
        return Problem("set_refused", str(error).replace(task.folder, task.shown))
    except MemoryError:
        return Problem("set_refused", "the worker has too little memory for it: use fewer workers")
    except Exception as error:
        what = f"{type(error).__name__}: {error}"
        return Problem(
            "judging_failed",
            f"linecheck failed on it ({what}). This is a fault of linecheck and says nothing about the unit: "
            "please report it",
        )


def judge_here(path: str, limits: Sequence[LimitFile]) -> JudgedSet:
    """Judge one set in the calling thread, as any worker would; a stopped run is one that was aborted."""
    return JudgedSet.of(path, judge_task(_task(path, tuple(limits), None)))


def judge_sets(
    paths: Sequence[str],
    limits: Sequence[LimitFile],
    workers: Workers,
    *,
    serial: str | None = None,
    listener: SetListener = ignore_event,
    stopped: Callable[[], bool] = lambda: False,
) -> Iterator[JudgedSet]:
    """Judge capture sets and yield what became of each, in the order given.

    Parameters
    ----------
    paths : sequence of str
        The sets' folders, or their ``captures.toml``.
    limits : sequence of LimitFile
        One for each model; a set's model says which judges it.
    workers : Workers
    serial : str, optional
        Serial number of the unit, where a set itself does not say it.
    listener : callable
        Hears the events of the sets.
    stopped : callable
        Whether it was asked to stop: what is not judged then is left, and yielded as not judged.
    """
    tasks = [_task(path, tuple(limits), serial) for path in paths]
    listener(SetsStarted(len(tasks)))
    judging = _Judging(tasks, workers, listener)
    for index in range(len(tasks)):
        while index not in judging.done:
            reason = "the command was stopped" if stopped() else workers.lost
            if reason is not None:
                judging.leave(reason)
                continue
            judging.start(index)
            judging.collect()
        yield judging.done.pop(index)


def _task(path: str, limits: tuple[LimitFile, ...], serial: str | None) -> SetTask:
    folder = str(Path(path).absolute())
    return SetTask(folder, path, os.path.exists(folder), limits, serial, software_here())


@dataclass
class _Judging:
    """Sets on their way, by their index: waiting, with a worker, or done."""

    tasks: Sequence[SetTask]
    workers: Workers
    listener: SetListener
    waiting: deque[int] = field(init=False)
    running: dict[Future[Run | Problem], int] = field(default_factory=dict)
    done: dict[int, JudgedSet] = field(default_factory=dict)
    deaths: dict[int, int] = field(default_factory=dict)
    #: Sets that must have all workers to themselves, so that it shows whether it is they who kill them.
    suspects: set[int] = field(default_factory=set)
    #: Sets that shared the workers with others since they were last begun.
    in_company: set[int] = field(default_factory=set)

    def __post_init__(self) -> None:
        self.waiting = deque(range(len(self.tasks)))

    def start(self, first: int) -> None:
        """Give the workers what they can take; ``first`` is the set that has to be yielded next."""
        furthest = first + self.workers.at_a_time + MAX_AHEAD
        while self.waiting and self.waiting[0] < furthest and self._is_room(self.waiting[0]):
            index = self.waiting.popleft()
            try:
                future = self.workers.executor.submit(judge_task, self.tasks[index])
            except RuntimeError as error:  # it was shut down
                self._finish(index, _not_judged(error))
                continue
            self.in_company.discard(index)
            if self.running:
                self.in_company |= {index, *self.running.values()}
            self.running[future] = index

    def _is_room(self, index: int) -> bool:
        if index in self.suspects or self.suspects & set(self.running.values()):
            return not self.running
        return len(self.running) < self.workers.at_a_time

    def collect(self) -> None:
        """Wait a moment for something to be done, and take it."""
        done = wait(self.running, LOOK_SECONDS, FIRST_COMPLETED).done
        for future in sorted(done, key=self.running.__getitem__):
            self._take(self.running.pop(future), future)

    def _take(self, index: int, future: Future[Run | Problem]) -> None:
        try:
            result = future.result()
        except CancelledError:
            self._finish(index, _not_judged(self.workers.lost or self.workers.let_go))
        except Exception as raised:
            error = self.workers.cause(raised)
            if isinstance(error, BrokenExecutor):
                self._died(index, error)
            else:
                what = f"{type(error).__name__}: {error}"
                self._finish(index, Problem("judging_failed", f"the worker failed at it ({what})"))
        else:
            self._finish(index, result)

    def _died(self, index: int, error: BrokenExecutor) -> None:
        """Judge a set again whose worker died, unless enough workers died of it."""
        certain = index not in self.in_company or (isinstance(error, WorkerDied) and error.certain)
        deaths = self.deaths.get(index, 0) + (error.workers if isinstance(error, WorkerDied) else 1)
        self.deaths[index] = deaths
        if deaths >= MAX_DEATHS and certain:
            message = f"given up: {deaths} workers died judging it, the last because {error}"
            self._finish(index, Problem("worker_died", message))
            return
        if deaths >= MAX_DEATHS - 1 and not certain:
            self.suspects.add(index)
        self.waiting.appendleft(index)
        self.listener(SetBegunAgain(self.tasks[index].shown, str(error)))

    def leave(self, reason: str) -> None:
        """Give up all that is not done, and say why."""
        self.workers.abandon()
        left = sorted({*self.running.values(), *self.waiting})
        self.running.clear()
        self.waiting.clear()
        for index in left:
            self.done[index] = JudgedSet.of(self.tasks[index].shown, _not_judged(reason))

    def _finish(self, index: int, result: Run | Problem) -> None:
        judged = self.done[index] = JudgedSet.of(self.tasks[index].shown, result)
        self.listener(SetJudged(judged))


def _not_judged(reason: object) -> Problem:
    return Problem("not_judged", f"not judged: {reason}")
