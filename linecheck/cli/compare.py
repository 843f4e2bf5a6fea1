"""``linecheck compare``: runs and capture sets side by side."""

from __future__ import annotations

from pathlib import Path

import click

from linecheck.cli.display.comparison import show_comparison
from linecheck.cli.options import LogPlace, log_options
from linecheck.cli.sources import view_of
from linecheck.errors import UsageError
from linecheck.files.text import visible
from linecheck.files.write import check_can_write
from linecheck.history.comparison.differences import compare_sides
from linecheck.history.comparison.file import FILE_NAME, write_comparison
from linecheck.history.comparison.sides import pick, split_reference
from linecheck.report.render import write_comparison_page


@click.command(name="compare")
@click.argument("sources", metavar="A B...", nargs=-1, required=True)
@click.option("--limits", multiple=True, metavar="FILE", help="Limit file for capture sets; repeatable.")
@click.option("--serial", metavar="S", help="Serial number, where a capture set does not state it.")
@click.option(
    "--out", required=True, metavar="DIR", help="Folder for comparison.json and comparison.html, its page."
)
@click.option(
    "--all", "everything", is_flag=True, help="List every finding, and the values that do not differ."
)
@log_options
def command(
    sources: tuple[str, ...],
    limits: tuple[str, ...],
    serial: str | None,
    out: str,
    everything: bool,
    place: LogPlace,
) -> None:
    """Compare runs and capture sets B... with A: every metric and curve, and every real difference, worst first.

    Each of them is the folder of a capture set (judged by --limits), the folder of a run, a run's id or its number in
    the log, or a serial number, which means its newest run. RUN@filter=slow is what was measured of a run under that
    setup.

    A difference counts where it exceeds the accuracy of its check and what noise explains. It changes no verdict.

    Exit status: 0 compared, whatever was found; 2 a wrong command or file; 3 nothing in common was measured.
    """
    if len(sources) < 2:
        raise UsageError(
            "name two runs or capture sets to compare, or two setups of one run: RUN@filter=sharp RUN@filter=slow"
        )

    views, picked = {}, []
    for reference in sources:
        source, setup = split_reference(reference)
        if source not in views:
            views[source] = view_of(source, place, limits, serial=serial)
        picked.append(pick(reference, views[source], setup))
    check_can_write(Path(out) / FILE_NAME)
    compared = write_comparison(out, compare_sides(picked))
    page = write_comparison_page(compared, out)
    show_comparison(compared, everything=everything)
    click.echo(visible(f"\n{page}"))
    click.echo(visible(f"{Path(out) / FILE_NAME}  {compared.digest}"))
