"""``linecheck judge``: judge a capture set."""

from __future__ import annotations

from contextlib import nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from contextlib import AbstractContextManager

    from linecheck.records.log import Log

__all__ = ["command"]


@click.command(name="judge")
@click.argument("captures", metavar="SET")
@click.option(
    "--limits", "limits_path", required=True, metavar="FILE", help="Limit file of the model (YAML)."
)
@click.option("--json", "json_path", metavar="FILE", help="Write the result there, as JSON.")
@click.option("--junit", "junit_path", metavar="FILE", help="Write the result there, as JUnit XML.")
@click.option("--strict", is_flag=True, help="A marginal unit ends with exit status 1.")
@click.option("--log", "log_path", metavar="PATH", help="Record the run in this log; without it in none.")
@click.pass_context
def command(
    context: click.Context,
    captures: str,
    limits_path: str,
    json_path: str | None,
    junit_path: str | None,
    strict: bool,
    log_path: str | None,
) -> None:
    """Judge the capture set SET, a folder with captures.toml, by the code that judges a run.

    The same files judged twice give the same result but for run id and times.

    Exit status: 0 pass or marginal, 1 fail, 2 a wrong command or file (nothing was judged), 3 invalid or
    aborted.
    """
    from linecheck.cli.progress import progress_listener
    from linecheck.cli.session import ResultFiles, record_and_show
    from linecheck.cli.stop_signals import StopSignals
    from linecheck.limits.load import load_limits
    from linecheck.station.capture_set import load_capture_set
    from linecheck.station.executors import analysis_executor
    from linecheck.station.runner import judge_set

    limits = load_limits(limits_path)
    files = ResultFiles(
        Path(json_path) if json_path is not None else None,
        Path(junit_path) if junit_path is not None else None,
    )
    files.check()
    loaded = load_capture_set(captures)
    with (
        analysis_executor(own_process=False) as executor,
        _opened(log_path) as log,
        StopSignals() as stop,
    ):
        outcome = judge_set(loaded, limits, executor, listener=progress_listener("reading"))
        stop.hold()
        status = record_and_show(outcome, log, [files], strict=strict)
    context.exit(status)


def _opened(path: str | None) -> AbstractContextManager[Log | None]:
    if path is None:
        return nullcontext()
    from linecheck.records.log import Log

    return Log(path)
