"""``linecheck judge``: judge capture sets."""

from __future__ import annotations

from contextlib import nullcontext
from typing import TYPE_CHECKING

import click

from linecheck.cli.set_options import result_options, serial_option, workers_option
from linecheck.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence
    from contextlib import AbstractContextManager

    from linecheck.limits.model import LimitFile
    from linecheck.log import Log
    from linecheck.results.files import ResultFiles

__all__ = ["command"]


@click.command(name="judge")
@click.argument("captures", metavar="SET...", nargs=-1, required=True)
@click.option(
    "--limits",
    "limits_paths",
    required=True,
    multiple=True,
    metavar="FILE",
    help="Limit file of the model (YAML); for sets of several models one for each.",
)
@serial_option
@result_options()
@click.option("--log", "log_path", metavar="PATH", help="Record the run in this log; without it in none.")
@workers_option("Judge")
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Judge on the Dask cluster of the scheduler there, as in tcp://192.0.2.7:8786.",
)
@click.pass_context
def command(
    context: click.Context,
    captures: tuple[str, ...],
    limits_paths: tuple[str, ...],
    serial: str | None,
    files: ResultFiles,
    strict: bool,
    log_path: str | None,
    workers: int | None,
    scheduler: str | None,
) -> None:
    """Judge each capture set SET, a folder with captures.toml, by the code that judges a run.

    The same files judged twice give the same result but for run id and times, whoever judges them. Of several sets
    every one is accounted for: one that cannot be read is invalid. The verdict is that of the worst.

    Exit status: 0 pass or marginal, 1 fail, 2 a wrong command or file (nothing was judged), 3 invalid or
    aborted.
    """
    from linecheck.cli.display.console import Console
    from linecheck.line.sets import judge_and_record

    if workers is not None and scheduler is not None:
        raise UsageError("give either --workers N or --scheduler ADDRESS")
    limits = _loaded(limits_paths)
    files.check((*limits_paths, *captures))
    with _opened(log_path) as log:
        status = judge_and_record(
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
    context.exit(status)


def _loaded(paths: Sequence[str]) -> tuple[LimitFile, ...]:
    """Return the limit files, one for each model."""
    from linecheck.limits.loading.load import load_limits

    by_model: dict[str, LimitFile] = {}
    for path in paths:
        entry = load_limits(path)
        if entry.model in by_model:
            other = by_model[entry.model].path
            raise UsageError(f"--limits: {other} and {entry.path} are both of model {entry.model}; give one")
        by_model[entry.model] = entry
    return tuple(by_model.values())


def _opened(path: str | None) -> AbstractContextManager[Log | None]:
    """Give the log that runs are recorded in, None where they are recorded in none."""
    if path is None:
        return nullcontext()
    from linecheck.log import Log

    return Log(path)
