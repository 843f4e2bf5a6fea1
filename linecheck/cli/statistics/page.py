"""``linecheck statistics page``: a line at a glance."""

from __future__ import annotations

from pathlib import Path

import click

from linecheck.cli.log.filters import filter_options
from linecheck.cli.statistics.options import source_options
from linecheck.files.text import visible
from linecheck.files.write import check_can_write, write_atomically
from linecheck.log import RunFilter
from linecheck.report.pdf import browser, write_pdf
from linecheck.report.render import line_page
from linecheck.statistics.columns import Place, open_columns
from linecheck.statistics.line import COLUMNS, line_of


@click.command("page")
@source_options
@filter_options
@click.option("--out", metavar="FILE", default="line.html", help="The HTML page.")
@click.option("--pdf", metavar="FILE", help="Also print it to PDF, with this machine's Chromium.")
def page_command(place: Place, wanted: RunFilter, out: str, pdf: str | None) -> None:
    """Write a line at a glance as one page: yield, what to look at first, what fails, station by station.

    Exit status: 0 it is written, 3 it is written and no unit was judged.
    """
    for path in filter(None, (out, pdf)):
        check_can_write(Path(path))
    program = browser() if pdf else ""
    with open_columns(place, wanted, columns=COLUMNS) as columns:
        view = line_of(columns)
    page = line_page(view)
    write_atomically(Path(out), page.encode())
    if pdf:
        write_pdf(page, pdf, program=program)
    for path in filter(None, (out, pdf)):
        click.echo(visible(path))
    if not view.yields.final.among:
        raise click.exceptions.Exit(3)
