"""``linecheck judge``: judge capture sets."""

from __future__ import annotations

from contextlib import nullcontext

import click

from linecheck.cli.display.console import Console
from linecheck.cli.options import (
    everything_option,
    limits_by_model,
    limits_files_option,
    serial_option,
    workers_option,
)
from linecheck.cli.result_options import result_options, strict_option
from linecheck.errors import ExitStatus, UsageError
from linecheck.line.sets import judge_and_record
from linecheck.log import Log
from linecheck.results.files import ResultFiles


@click.command(name="judge")
@click.argument("captures", metavar="SET...", nargs=-1, required=True)
@limits_files_option(
    required=True, help="Limit file of the model (YAML); for sets of several models one for each."
)
@serial_option
@result_options()
@strict_option
@everything_option
@click.option("--log", "log_path", metavar="PATH", help="Log to record the runs in [default: none].")
@workers_option("Judge")
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Judge on the Dask cluster of the scheduler there, as in tcp://192.0.2.7:8786.",
)
def command(
    captures: tuple[str, ...],
    limits_paths: tuple[str, ...],
    serial: str | None,
    files: ResultFiles,
    strict: bool,
    log_path: str | None,
    workers: int | None,
    scheduler: str | None,
) -> ExitStatus:
    """Judge each capture set SET, a folder with captures.toml, with the code that judges a run.

    The same files judged twice give the same result but for run id and times, on any machine. Every set is accounted
    for: one that cannot be read is invalid. The verdict is that of the worst set.

    Exit status: 0 pass or marginal, 1 fail, 2 a wrong command or file (nothing was judged), 3 invalid or
    aborted.
    """
    if workers is not None and scheduler is not None:
        raise UsageError("give either --workers N or --scheduler ADDRESS")
    limits = limits_by_model(limits_paths)
    files.check((*limits_paths, *captures))
    with nullcontext() if log_path is None else Log(log_path) as log:
        return judge_and_record(
            captures,
            limits,
            files,
            log,
            Console("reading"),
            serial=serial,
            strict=strict,
            workers=workers,
            scheduler=scheduler,
        )
