"""A real scheduler and real workers, each a process of its own, on the loopback interface."""

import re
import subprocess
import sys
import threading
from contextlib import contextmanager

START_SECONDS = 60.0


class LoopbackCluster:
    """A scheduler with workers of one thread each and no nanny: one that dies stays dead."""

    def __init__(self):
        self.scheduler, found = _started(
            ["dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--no-jupyter"],
            rb"Scheduler at:\s+(tcp://127\.0\.0\.1:\d+)",
        )
        self.address = found
        self.workers = []

    def add_worker(self):
        """Start a worker and wait until the scheduler knows it."""
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
        worker, _ = _started(["dask_worker", self.address, *options], rb"Registered to:\s+(\S+)")
        self.workers.append(worker)
        return worker

    def end(self):
        """End all of it."""
        for process in (*self.workers, self.scheduler):
            process.kill()
            process.wait()


def _started(arguments, sign):
    """Start a program of the distributed package and return it, once it says what is looked for, with that."""
    command = [sys.executable, "-m", f"distributed.cli.{arguments[0]}", *arguments[1:]]
    process = subprocess.Popen(command, stderr=subprocess.PIPE)
    for line in process.stderr:
        found = re.search(sign, line)
        if found:
            # What it says later must not fill the pipe, or it would wait for ever.
            threading.Thread(target=process.stderr.read, daemon=True).start()
            return process, found[1].decode()
    raise AssertionError(f"{' '.join(command)} ended with {process.wait()}")


@contextmanager
def loopback_cluster(workers):
    """Give a running cluster."""
    cluster = LoopbackCluster()
    try:
        for _ in range(workers):
            cluster.add_worker()
        yield cluster
    finally:
        cluster.end()
