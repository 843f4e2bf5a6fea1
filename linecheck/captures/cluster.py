"""Workers of a Dask cluster: machines that see the same files and have the same software.

Dask itself gives a task to another worker where one has died, and gives it up when as many have died of it as its
scheduler allows (``distributed.scheduler.allowed-failures``). So a death is retried there and nowhere else; only a
task that may have died of its company is given to it once more, on its own.
"""

from __future__ import annotations

import logging
import re
import threading
import time
import warnings
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

from linecheck.captures.many_sets import software_here
from linecheck.captures.workers import WorkerDied, Workers
from linecheck.errors import StationError, UsageError, listed

#: How long a scheduler may take to answer, and to be found again where the connection was lost.
CONNECT_SECONDS = 5.0
#: How long a cluster may be without a worker: those that died may come back.
WORKERLESS_SECONDS = 30.0
#: How often it is asked which workers it has.
LOOK_SECONDS = 1.0
#: So many tasks are with the scheduler beyond those that its workers are at: the next is there when one is done.
BEYOND = 2
MAX_NAMED = 5

_ADDRESS = re.compile(r"(tcp|tls|ucx)://[^\s/]+:[0-9]{1,5}")


def check_address(address: str) -> str:
    """Return the address of a scheduler.

    Raises
    ------
    UsageError
        It cannot be one.
    """
    if not _ADDRESS.fullmatch(address):
        raise UsageError(
            f"--scheduler {address[:100]!a} is not a scheduler's address, as in tcp://192.0.2.7:8786"
        )
    return address


@contextmanager
def cluster_workers(address: str) -> Iterator[ClusterWorkers]:
    """Give the workers of the cluster with this scheduler; the cluster itself is left as it is.

    Raises
    ------
    UsageError
        The address is none, or what is needed to talk to a scheduler is not installed.
    StationError
        Nothing answers there, there are no workers, or they have other software.
    """
    check_address(address)
    client, notes = _connected(address)
    try:
        workers = ClusterWorkers(client, address, notes)
        try:
            yield workers
        finally:
            workers.close()
    finally:
        with suppress(Exception):
            client.close(timeout=CONNECT_SECONDS)


class ClusterWorkers(Workers):
    """The workers of a cluster, however many there are at the time.

    Parameters
    ----------
    client : distributed.Client
    address : str
        Where its scheduler is.
    notes : tuple of str
        What a person should know of the cluster.
    """

    def __init__(self, client: Any, address: str, notes: tuple[str, ...] = ()) -> None:  # noqa: ANN401 - untyped
        self.notes = notes
        self._client = client
        self._address = address
        self._wait_for_one()
        self._check_software()
        self._threads: int = sum(client.nthreads().values())
        self._seen = time.monotonic()
        super().__init__(client.get_executor(pure=False, retries=0), self._threads)
        self.let_go = f"the scheduler at {address} let it go"
        self._closed = threading.Event()
        threading.Thread(target=self._watch, name="cluster watch", daemon=True).start()

    @property
    def at_a_time(self) -> int:
        """How many tasks keep the workers busy that are there now."""
        return max(self._threads, 1) + BEYOND

    @property
    def lost(self) -> str | None:
        """Why no result will come any more."""
        if self._client.status in ("closing", "closed"):
            return f"the connection to the scheduler at {self._address} was lost"
        if time.monotonic() - self._seen > WORKERLESS_SECONDS:
            return f"the cluster at {self._address} has had no worker for {WORKERLESS_SECONDS:.0f} s"
        return None

    def cause(self, error: BaseException) -> BaseException:
        """Return ``WorkerDied`` where the scheduler gave a task up because too many workers died at it."""
        from distributed import KilledWorker

        if not isinstance(error, KilledWorker):
            return error
        deaths = int(error.allowed_failures) + 1
        return WorkerDied("the cluster lost the worker that had it", workers=deaths, certain=False)

    def abandon(self) -> None:
        """Let everything go that is not done yet; a scheduler that is gone has done so by itself."""
        with suppress(Exception):
            self.executor.shutdown(wait=False)

    def close(self) -> None:
        """Ask the cluster nothing more."""
        self._closed.set()
        self.abandon()

    def _wait_for_one(self) -> None:
        try:
            self._client.wait_for_workers(1, timeout=CONNECT_SECONDS)
        except TimeoutError as error:
            message = f"the scheduler at {self._address} has no workers: start some, then try again"
            raise StationError(message) from error

    def _watch(self) -> None:
        """Keep count of the workers, in a thread of its own: a scheduler that is gone keeps whoever asks it waiting."""
        while not self._closed.wait(LOOK_SECONDS):
            with suppress(Exception):
                self._threads = sum(self._client.nthreads().values())
                if self._threads:
                    self._seen = time.monotonic()

    def _check_software(self) -> None:
        """Refuse workers that would come to other results, or to none."""
        here = software_here()
        there = self._client.run(software_here, on_error="return")
        wrong = {name: found for name, found in there.items() if found != here}
        if wrong:
            wanted = ", ".join(" ".join(entry) for entry in here)
            lines = listed([f"{name}: {_described(found)}" for name, found in wrong.items()], MAX_NAMED)
            first = f"these workers of {self._address} lack the versions used here, {wanted}:"
            raise StationError("\n".join((first, *(f"  {line}" for line in lines))))


def _connected(address: str) -> tuple[Any, tuple[str, ...]]:
    """Return a client, and what was said when it connected."""
    try:
        from distributed import Client
    except ImportError as error:
        message = "--scheduler needs a package that is not installed: pip install 'linecheck[cluster]'"
        raise UsageError(message) from error
    # What becomes of the connection is said by the command, not by a log in between.
    for name in ("distributed", *(f"distributed.{part}" for part in ("client", "core", "comm", "batched"))):
        logging.getLogger(name).setLevel(logging.CRITICAL)
    try:
        with warnings.catch_warnings(record=True) as said:
            warnings.simplefilter("always")
            make: Any = Client  # it has no types
            client = make(address, timeout=CONNECT_SECONDS, set_as_default=False, name="linecheck")
    except Exception as error:
        reason = " ".join(str(error).split()) or type(error).__name__
        raise StationError(f"the scheduler at {address} cannot be reached: {reason[:300]}") from error
    notes = (" ".join(str(entry.message).split()) for entry in said if "ersion" in str(entry.category))
    return client, tuple(notes)


def _described(found: object) -> str:
    if isinstance(found, BaseException):
        return f"{type(found).__name__}: {found}"[:200]
    if isinstance(found, (tuple, list)):
        return ", ".join(" ".join(map(str, entry)) for entry in found)
    return str(found)[:200]
