"""``linecheck baseline``: accept readings as what later firmware is compared with."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import click
from pydantic import ValidationError

from linecheck import __version__
from linecheck.cli.display.console import Console
from linecheck.cli.display.messages import counted, one_line, tell
from linecheck.cli.display.regression import comparison_table, counts_line
from linecheck.cli.display.result import Screen
from linecheck.cli.options import limits_option, serial_option, workers_option
from linecheck.errors import BaselineError, UsageError, listed
from linecheck.files.write import check_can_write, write_atomically
from linecheck.history.baseline.accept import MAX_NAMED, Acceptance, accept_runs, changes, doubts
from linecheck.history.baseline.file import MAX_BYTES, Baseline, baseline_bytes, load_baseline
from linecheck.history.baseline.unit_entry import require_margins
from linecheck.limits.loading.load import load_limits
from linecheck.limits.model import LimitFile
from linecheck.line.regress import refuse_unreadable
from linecheck.line.sets import judged_sets
from linecheck.run.model import Run

MAX_TEXT_LENGTH = 500


@click.group(name="baseline")
def command() -> None:
    """Accept readings as the baseline that later firmware is compared with."""


@command.command()
@click.argument("captures", metavar="SET...", nargs=-1, required=True)
@limits_option
@click.option("--out", required=True, metavar="FILE", help="The baseline file; an existing one is replaced.")
@click.option("--reason", required=True, metavar="TEXT", help="Why these readings are accepted.")
@click.option("--by", required=True, metavar="NAME", help="Who accepts them.")
@serial_option
@workers_option("Measure")
def accept(
    captures: tuple[str, ...],
    limits_path: str,
    out: str,
    reason: str,
    by: str,
    serial: str | None,
    workers: int | None,
) -> None:
    """Measure each capture set SET and keep every reading and curve that has a margin in the limit file.

    Several sets of one unit are combined. An existing baseline is replaced as a whole: what changes is shown, and who
    accepted the old one, when and why is kept. Nothing is written where something was not measured; a unit that fails
    its masks is accepted all the same, with a warning.

    Exit status: 0 accepted, 2 a wrong command or file, 3 something was not measured or could not be written.
    """
    reason, by = _line(reason, "--reason"), _line(by, "--by")
    limits = load_limits(limits_path)
    require_margins(limits)
    replaced = load_baseline(out, to_replace=True) if Path(out).exists() else None
    if replaced is not None and replaced.is_edited:
        tell(f"warning: {out} was edited since it was accepted; what was accepted then is not what it says")
    check_can_write(out)
    runs = _measured(captures, limits, serial, workers)
    acceptance = _accepted(runs, replaced, by=by, reason=reason)
    content = baseline_bytes(acceptance.file)
    if len(content) > MAX_BYTES:
        raise BaselineError(
            f"nothing was accepted: the baseline would have {len(content):,} bytes and may have {MAX_BYTES:,}; "
            "accept fewer units, or compare fewer curves"
        )
    write_atomically(out, content)
    _show(acceptance, out)
    for doubt in doubts(acceptance):
        tell(doubt)


def _line(text: str, option: str) -> str:
    """Return a text on one visible line, or refuse it."""
    line = one_line(text)
    if not 0 < len(line) <= MAX_TEXT_LENGTH:
        raise UsageError(f"{option}: expected 1 to {MAX_TEXT_LENGTH} characters, got {len(line)}")
    return line


def _measured(paths: Sequence[str], limits: LimitFile, serial: str | None, workers: int | None) -> list[Run]:
    """Measure every set; one that cannot be measured ends it all."""
    with judged_sets(paths, (limits,), Console(), serial=serial, workers=workers) as found:
        judged = list(found)
    if len(judged) == 1:
        refuse_unreadable(judged[0])
    refused = [entry for entry in judged if entry.outcome is None]
    if refused:
        lines = [f"  {entry.path}: {entry.problem.message if entry.problem else ''}" for entry in refused]
        raise BaselineError("\n".join(("nothing was accepted:", *listed(lines))))
    return [entry.outcome for entry in judged if entry.outcome is not None]


def _accepted(runs: Sequence[Run], replaced: Baseline | None, *, by: str, reason: str) -> Acceptance:

    try:
        return accept_runs(
            runs,
            by=by,
            reason=reason,
            on=datetime.now(UTC).replace(microsecond=0),
            software=f"linecheck {__version__}",
            replaced=replaced,
        )
    except ValidationError as error:
        first = error.errors()[0]
        where = ".".join(str(part) for part in first["loc"])
        raise BaselineError(
            f"nothing was accepted: no baseline can hold this ({where}: {first['msg']}); accept fewer units, or sets "
            "whose curves have a band in common"
        ) from error


def _show(acceptance: Acceptance, path: str) -> None:

    screen = Screen.of_stdout()
    units = acceptance.file.unit
    values = sum(len(check.readings) for unit in units for check in unit.check)
    curves = sum(len(check.curve) for unit in units for check in unit.check)
    sets = counted(len(acceptance.runs), "set")
    serials = ", ".join(listed([unit.serial for unit in units], MAX_NAMED))
    facts = f"{path}: accepted {values} values and {curves} curves of {sets} of {serials}"
    parts = [screen.plain(facts)]
    compared, channels = changes(acceptance), acceptance.runs[0].limits.channels
    if compared:
        parts.append(f"Against the baseline that it replaces: {counts_line(compared)}")
        parts.append("\n".join(comparison_table(compared, channels, screen)))
    screen.show("\n\n".join(parts))
