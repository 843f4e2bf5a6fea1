"""What is done at sets in tests of those who judge them; importable wherever they are judged."""

import os
import signal
from concurrent.futures import Executor, ThreadPoolExecutor
from pathlib import Path

from linecheck.captures.workers import Workers


def judge_or_die(judge, task):
    """Judge a set; die at one with a file ``deadly`` in it, the more often the more bytes that has."""
    deadly = Path(task.folder) / "deadly"
    if deadly.exists():
        lives = deadly.read_bytes()
        if lives:
            deadly.write_bytes(lives[1:])
            os.kill(os.getpid(), signal.SIGKILL)
    return judge(task)


class DyingExecutor(Executor):
    """Passes on to another executor, but has its workers die at sets that are marked for it."""

    def __init__(self, inner):
        self.inner = inner

    def submit(self, fn, /, *args, **kwargs):
        assert not kwargs
        (task,) = args  # one positional payload: some executors swallow keywords
        return self.inner.submit(judge_or_die, fn, task)

    def shutdown(self, wait=True, *, cancel_futures=False):
        self.inner.shutdown(wait=wait)


def with_deaths(workers):
    """Have the workers of a crew die at sets that are marked for it."""
    workers.executor = DyingExecutor(workers.executor)
    return workers


def thread_workers():
    """Return workers that are threads of this process."""
    return Workers(ThreadPoolExecutor(2), 3)
