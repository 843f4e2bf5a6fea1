"""A scheduler or a worker as its own command starts it, in a process that need not import what it is made of."""

import os
import runpy
import sys

import dask
import distributed.cli.dask_scheduler
import distributed.cli.dask_worker  # noqa: F401 - imported before it is run


def main():
    """Be the command that the first argument names; the environment holds as for one that starts anew."""
    sys.path[:0] = os.environ["PYTHONPATH"].split(os.pathsep)
    dask.config.refresh()
    runpy.run_module(f"distributed.cli.{sys.argv.pop(1)}", run_name="__main__")
