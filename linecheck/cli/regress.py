"""``linecheck regress``: compare capture sets with a baseline."""

from __future__ import annotations

import click

from linecheck.cli.display.console import Console
from linecheck.cli.display.messages import tell
from linecheck.cli.options import everything_option, limits_option, serial_option, workers_option
from linecheck.cli.result_options import result_options, strict_option
from linecheck.errors import ExitStatus, FileError
from linecheck.history.baseline.file import load_baseline
from linecheck.history.baseline.unit_entry import require_margins
from linecheck.limits.loading.load import load_limits
from linecheck.line.regress import regress_sets
from linecheck.results.files import ResultFiles


@click.command(name="regress")
@click.argument("captures", metavar="SET...", nargs=-1, required=True)
@click.option(
    "--baseline", "baseline_path", required=True, metavar="FILE", help="The baseline to compare with."
)
@limits_option
@serial_option
@result_options()
@strict_option
@everything_option
@workers_option("Measure")
def command(
    captures: tuple[str, ...],
    baseline_path: str,
    limits_path: str,
    serial: str | None,
    files: ResultFiles,
    strict: bool,
    workers: int | None,
) -> ExitStatus:
    """Compare each capture set SET with the baseline's unit of the same serial number.

    Every metric and curve that has a margin in the limit file is unchanged, better, worse, or cannot be told. One that
    is worse by more than its margin fails, even inside its mask; what noise explains never does. The verdict is the
    worse of that and of the masks. The figure after ± is twice the standard uncertainty.

    Exit status: 0 pass or marginal, 1 fail, 2 a wrong command or file (nothing was judged), 3 invalid or
    aborted.
    """
    limits = load_limits(limits_path)
    require_margins(limits)
    baseline = load_baseline(baseline_path)
    if baseline.file.digest is None:
        tell(
            f"warning: {baseline_path} has no digest, as it is from an earlier linecheck: an edit would not show; "
            "`linecheck baseline accept` writes one"
        )
    if baseline.file.model != limits.model:
        raise FileError(
            baseline_path, f"is the baseline of model {baseline.file.model}, the limit file of {limits.model}"
        )
    files.check((limits_path, baseline_path, *captures))
    return regress_sets(
        captures, limits, baseline, files, Console(), serial=serial, strict=strict, workers=workers
    )
