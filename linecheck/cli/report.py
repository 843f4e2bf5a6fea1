"""``linecheck report``: a run, a capture set or a comparison as one page that is filed, printed and signed."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from linecheck.cli.options import LogPlace, log_options
from linecheck.cli.sources import (
    Beside,
    among_earlier,
    beside_options,
    is_comparison,
    run_and_references,
)
from linecheck.errors import ExitStatus, FileError
from linecheck.files.text import visible
from linecheck.files.write import check_can_write, write_atomically
from linecheck.history.comparison.file import load_comparison
from linecheck.report.comparison_page import Signed
from linecheck.report.interactive import require_library
from linecheck.report.pdf import browser, write_pdf
from linecheck.report.render import comparison_page, run_page
from linecheck.run.model import Run

if TYPE_CHECKING:
    from linecheck.history.baseline.file import Baseline
    from linecheck.history.repairs.runs import StatedRepair

#: Gives a page, interactive or not.
_Made = Callable[[bool], str]


@click.command(name="report")
@click.argument("source", metavar="RUN|SET|COMPARISON")
@click.option("--out", required=True, metavar="FILE", help="The page: one file that opens anywhere.")
@beside_options
@click.option(
    "--pdf",
    is_flag=False,
    flag_value="",
    default=None,
    metavar="[FILE]",
    help="Also print the page to PDF, with this machine's Chromium [default FILE: beside the page].",
)
@click.option("--all", "unfolded", is_flag=True, help="Unfold, and print, all that the page holds.")
@click.option(
    "--interactive",
    is_flag=True,
    help="Figures with zoom, a cursor with values, curves on and off; needs linecheck[interactive].",
)
@log_options
def command(
    source: str,
    out: str,
    beside: Beside,
    pdf: str | None,
    unfolded: bool,
    interactive: bool,
    place: LogPlace,
) -> ExitStatus:
    """Write a run in the log, a capture set or a comparison as one HTML page.

    The page needs no network and runs no script; with --interactive it runs those that stand in it, and is all there
    without them. What each check holds, and what does not differ in a comparison, is folded and not printed; --all
    unfolds and prints it. A comparison shows its sign-offs in the log, and says in which log they were looked up.

    Exit status: 0 the page was written, 2 a wrong command or file, 3 it could not be written.
    """
    if interactive:
        require_library()
    compared = is_comparison(source, beside)
    page = Path(out)
    printed = None if pdf is None else Path(pdf) if pdf else page.with_suffix(".pdf")
    read = (source, *beside.limits, place.station, beside.against, *beside.references, place.path)
    named = [path for path in read if path is not None]
    _check_targets([page] if printed is None else [page, printed], named)
    program = "" if printed is None else browser()
    made = _of_comparison(source, place, unfolded) if compared else _of_run(source, beside, place, unfolded)
    write_atomically(page, made(interactive).encode("utf-8"))
    click.echo(visible(str(page)))
    if printed is not None:
        write_pdf(made(False), printed, program=program)
        click.echo(visible(str(printed)))
    return ExitStatus.PASS


def _check_targets(targets: list[Path], inputs: Iterable[str]) -> None:
    """Find out before anything is read whether the files can be written, and over nothing that is read.

    Raises
    ------
    FileError
        One cannot, or is an input of this command, or both are the same.
    """
    read = {Path(path).resolve() for path in inputs if os.path.exists(path)}
    for at, path in enumerate(targets):
        place = path.resolve()
        inside = place.parent in read and place.suffix.lower() not in (".html", ".htm", ".pdf")
        if place in read or inside:
            raise FileError(path, "is an input of this command: write the page somewhere else")
        if place in [other.resolve() for other in targets[:at]]:
            raise FileError(path, "is named for the page and for its PDF: give each a file of its own")
        check_can_write(path)


def _of_run(source: str, beside: Beside, place: LogPlace, unfolded: bool) -> _Made:
    view, runs, baselines = run_and_references(source, beside, place)
    references: list[Run | Baseline] = [*runs.values(), *baselines.values()]
    repairs = _repairs(view, place)
    population = among_earlier(view, beside.against)
    return lambda interactive: run_page(
        view,
        population=population,
        references=references,
        repairs=repairs,
        unfolded=unfolded,
        interactive=interactive,
    )


def _repairs(view: Run, place: LogPlace) -> Sequence[StatedRepair]:
    """Return the repairs of a run's unit in its log."""
    if view.record is None:
        return ()
    from linecheck.history.repairs.runs import repairs_of_unit

    with place.reader() as log:
        return repairs_of_unit(log, view)


def _of_comparison(source: str, place: LogPlace, unfolded: bool) -> _Made:
    comparison = load_comparison(source)
    # A sign-off goes into the same log if none is named; where there is none yet, nothing was signed.
    if place == LogPlace() and not Path(place.path).exists():
        signed = Signed(place=place.path)
    else:
        with place.reader() as log:
            signed = Signed(tuple(log.signoffs(digest=comparison.digest)), place.path)
    return lambda interactive: comparison_page(
        comparison, signed=signed, unfolded=unfolded, interactive=interactive
    )
