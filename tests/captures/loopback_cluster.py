"""A real scheduler and real workers, each a process of its own, on the loopback interface."""

import os
import re
import sys
import threading
from contextlib import contextmanager

from forked_linecheck import DEVNULL, start


class LoopbackCluster:
    """A scheduler with workers of one thread each and no nanny: one that dies stays dead."""

    def __init__(self, settings):
        # What the tests pass to workers is imported there from where it is here.
        self._environment = os.environ | {"PYTHONPATH": os.pathsep.join(filter(None, sys.path))} | settings
        self.workers = []
        options = ["--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--no-jupyter"]
        self.scheduler = self._start("dask_scheduler", *options)
        self.address = _said(self.scheduler, rb"Scheduler at:\s+(tcp://127\.0\.0\.1:\d+)")

    def add_workers(self, count):
        """Start workers and wait until the scheduler knows them."""
        options = [
            "--host",
            "127.0.0.1",
            "--nthreads",
            "1",
            "--no-nanny",
            "--no-dashboard",
            "--memory-limit",
            "0",
        ]
        added = [self._start("dask_worker", self.address, *options) for _ in range(count)]
        self.workers += added
        for worker in added:
            _said(worker, rb"Registered to:\s+(\S+)")

    def end(self):
        """End all of it."""
        for process in (*self.workers, self.scheduler):
            process.kill()
            process.wait()

    def _start(self, name, *arguments):
        how = {"program": "captures.cluster_process", "environment": self._environment, "stdout": DEVNULL}
        return start(".", name, *arguments, **how)


def _said(process, sign):
    """Wait until a process says what is looked for, and return that."""
    for line in process.stderr:
        found = re.search(sign, line)
        if found:
            # What it says later must not fill the pipe, or it would wait for ever.
            threading.Thread(target=_drain, args=(process.stderr,), daemon=True).start()
            return found[1].decode()
    process.stderr.close()
    raise AssertionError(f"{process.args} ended with {process.wait()}")


def _drain(stream):
    with stream:
        for _ in stream:
            pass


@contextmanager
def loopback_cluster(workers, **settings):
    """Give a running cluster; settings are variables of its environment."""
    cluster = LoopbackCluster(settings)
    try:
        cluster.add_workers(workers)
        yield cluster
    finally:
        cluster.end()
