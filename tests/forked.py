"""Functions in processes of their own, forked from one that has imported what they use: none of them pays for that."""

import multiprocessing
import os
import time
from pathlib import Path
from unittest import mock

_CONTEXT = multiprocessing.get_context("forkserver")
_CONTEXT.set_forkserver_preload(["pytest", "log_processes"])


def started(function, *arguments):
    """Start a function in a process of its own and return that."""
    process = _CONTEXT.Process(target=function, args=arguments, daemon=True)
    with mock.patch.dict(os.environ, PYTHONPATH=str(Path(__file__).parent)):
        process.start()
    return process


def answer(function, *arguments):
    """Return what a function returns in a process of its own."""
    ours, theirs = _CONTEXT.Pipe(duplex=False)
    process = started(_answered, theirs, function, *arguments)
    theirs.close()
    try:
        return ours.recv()
    except EOFError:
        process.join()
        raise AssertionError(f"the process ended with {process.exitcode}") from None
    finally:
        process.join()


def _answered(pipe, function, *arguments):
    pipe.send(function(*arguments))


def until(condition, what="it did not come about"):
    """Wait until something holds, however busy the machine is."""
    deadline = time.monotonic() + 60.0
    while not condition():
        assert time.monotonic() < deadline, what
        time.sleep(0.02)
