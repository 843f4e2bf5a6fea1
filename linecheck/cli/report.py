"""``linecheck report``: a run, a capture set or a comparison as one page that is filed, printed and signed."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import TYPE_CHECKING

import click

from linecheck.cli.log.options import log_location, log_options, opened_log
from linecheck.cli.sources.beside import (
    against_option,
    among_earlier,
    reference_option,
    tell_differences,
)
from linecheck.errors import ExitStatus, FileError, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterable

    from linecheck.cli.sources.run_source import Sources
    from linecheck.history.comparison.model import Comparison
    from linecheck.log.signoff import Signoff

__all__ = ["command"]

_COMPARISON = "comparison.json"
#: Its name, or that of an earlier one that was kept.
_NAMED = re.compile(r"comparison(-[0-9a-f]+)?\.json")


@click.command(name="report")
@click.argument("source", metavar="RUN|SET|COMPARISON")
@click.option("--out", required=True, metavar="FILE", help="The page: one file that opens anywhere.")
@click.option(
    "--limits", multiple=True, metavar="FILE", help="Limit file that judges a capture set; may be repeated."
)
@reference_option("Show the curves and values of this run (or set) beside them.")
@against_option
@click.option(
    "--pdf",
    is_flag=False,
    flag_value="",
    default=None,
    metavar="[FILE]",
    help="Print it to PDF as well, with a Chromium that is there; beside the page where no file is named.",
)
@log_options
def command(
    source: str,
    out: str,
    limits: tuple[str, ...],
    reference: str | None,
    against: str | None,
    pdf: str | None,
    log: str | None,
    station: str | None,
) -> ExitStatus:
    """Write a run in the log, a capture set or a comparison as one HTML page.

    The page needs no network and runs no script. A comparison shows its sign-offs in the log.

    Exit status: 0 the page was written, 2 a wrong command or file, 3 it could not be written.
    """
    from linecheck.cli.sources.run_source import Sources

    compared = (
        os.path.isfile(os.path.join(source, _COMPARISON))
        or _NAMED.fullmatch(os.path.basename(source)) is not None
    )
    if compared and (reference is not None or limits or against is not None):
        raise UsageError(
            "--reference, --against and --limits: a comparison has its sides and its limit file already"
        )
    page = Path(out)
    printed = None if pdf is None else Path(pdf) if pdf else page.with_suffix(".pdf")
    read = (source, *limits, station, against, reference, log_location(log, station))
    named = [path for path in read if path is not None]
    _check_targets([page] if printed is None else [page, printed], named)
    program = None
    if printed is not None:
        from linecheck.report.pdf import browser

        program = browser()
    if compared:
        text = _of_comparison(source, log, station)
    else:
        text = _of_run(Sources(log, station, limits), source, reference, against)
    _write(text, page, printed, program)
    return ExitStatus.PASS


def _check_targets(targets: list[Path], inputs: Iterable[str]) -> None:
    """Find out before anything is read whether the files can be written, and over nothing that is read.

    Raises
    ------
    FileError
        One cannot, or is what this command reads, or both are the same.
    """
    from linecheck.files.write import check_can_write

    read = {Path(path).resolve() for path in inputs if os.path.exists(path)}
    for at, path in enumerate(targets):
        place = path.resolve()
        inside = place.parent in read and place.suffix.lower() not in (".html", ".htm", ".pdf")
        if place in read or inside:
            raise FileError(path, "is what this command reads: write the page somewhere else")
        if place in [other.resolve() for other in targets[:at]]:
            raise FileError(path, "is named for the page and for its PDF: give each a file of its own")
        check_can_write(path)


def _of_run(sources: Sources, source: str, reference: str | None, against: str | None) -> str:
    from linecheck.report.render import run_page

    view = sources.view(source)
    other = None if reference is None else sources.view(reference)
    if other is not None:
        tell_differences(view, other)
    return run_page(view, population=among_earlier(view, against), reference=other)


def _of_comparison(source: str, log: str | None, station: str | None) -> str:
    from linecheck.history.comparison.file import load_comparison
    from linecheck.report.render import comparison_page

    comparison: Comparison = load_comparison(Path(source))
    signoffs: tuple[Signoff, ...] = ()
    # A sign-off goes into the same log if none is named; where there is none yet, nothing was signed.
    if log is not None or station is not None or Path(log_location(log, station)).exists():
        with opened_log(log, station) as opened:
            signoffs = tuple(opened.signoffs(digest=comparison.digest))
    return comparison_page(comparison, signoffs=signoffs)


def _write(text: str, page: Path, printed: Path | None, program: str | None) -> None:
    from linecheck.files.text import visible
    from linecheck.files.write import write_atomically

    write_atomically(page, text.encode("utf-8"))
    click.echo(visible(str(page)))
    if printed is not None and program is not None:
        from linecheck.report.pdf import write_pdf

        write_pdf(text, printed, program=program)
        click.echo(visible(str(printed)))
