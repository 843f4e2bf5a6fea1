"""``linecheck judge``: judge capture sets."""

from __future__ import annotations

from contextlib import nullcontext
from typing import TYPE_CHECKING

import click

from linecheck.cli.set_options import result_options, serial_option, workers_option
from linecheck.errors import ExitStatus, UsageError

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
    if workers is not None and scheduler is not None:
        raise UsageError("give either --workers N or --scheduler ADDRESS")
    limits = _loaded(limits_paths)
    files.check((*limits_paths, *captures))
    if len(captures) == 1 and scheduler is None:
        status = _judge_one(captures[0], limits, files, log_path, serial=serial, strict=strict)
    else:
        from linecheck.cli.judge_many import judge_many

        with opened(log_path) as log:
            status = judge_many(
                captures,
                limits,
                files,
                log,
                serial=serial,
                strict=strict,
                workers=workers,
                scheduler=scheduler,
            )
    context.exit(status)


def _judge_one(
    path: str,
    limits: Sequence[LimitFile],
    files: ResultFiles,
    log_path: str | None,
    *,
    serial: str | None,
    strict: bool,
) -> ExitStatus:
    """Judge one set, its checks side by side in this process."""
    from linecheck.captures.capture_set import load_capture_set
    from linecheck.captures.judging import judge_set, limits_for
    from linecheck.cli.display.progress import progress_listener
    from linecheck.cli.result_files import record_and_show
    from linecheck.line.stop_signals import StopSignals
    from linecheck.measure.executors import analysis_executor

    loaded = load_capture_set(path)
    fitting = limits_for(loaded, limits)
    with (
        analysis_executor(own_process=False) as executor,
        opened(log_path) as log,
        StopSignals() as stop,
    ):
        listener = progress_listener("reading")
        outcome = judge_set(loaded, fitting, executor, listener=listener, serial=serial)
        stop.hold()
        return record_and_show(outcome, log, [files], strict=strict, set_path=path)


def _loaded(paths: Sequence[str]) -> tuple[LimitFile, ...]:
    """Return the limit files, one for each model."""
    from linecheck.limits.load import load_limits

    by_model: dict[str, LimitFile] = {}
    for path in paths:
        entry = load_limits(path)
        if entry.model in by_model:
            other = by_model[entry.model].path
            raise UsageError(f"--limits: {other} and {entry.path} are both of model {entry.model}; give one")
        by_model[entry.model] = entry
    return tuple(by_model.values())


def opened(path: str | None) -> AbstractContextManager[Log | None]:
    """Give the log that runs are recorded in, None where they are recorded in none."""
    if path is None:
        return nullcontext()
    from linecheck.log import Log

    return Log(path)
