"""``linecheck compare``: runs and capture sets side by side."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from linecheck.cli.log_options import log_options

if TYPE_CHECKING:
    from linecheck.records.comparison.model import Comparison

__all__ = ["command"]


@click.command(name="compare")
@click.argument("sources", metavar="A B...", nargs=-1, required=True)
@click.option("--limits", multiple=True, metavar="FILE", help="Limit file that judges capture sets.")
@click.option("--serial", metavar="S", help="Serial number, where a capture set does not say it.")
@click.option("--out", required=True, metavar="DIR", help="Folder for comparison.json.")
@log_options
def command(
    sources: tuple[str, ...],
    limits: tuple[str, ...],
    serial: str | None,
    out: str,
    log: str | None,
    station: str | None,
) -> None:
    """Hold runs and capture sets B... against A: every metric and curve, and what truly differs, worst first.

    Each of them is the folder of a capture set (judged by --limits), the folder that a run has left, a run's id or its
    number in the log, or a serial number, of which the newest run is meant. RUN@filter=slow is what was measured
    of a run under that setup.

    A difference is found where it is greater than the accuracy of its check and than noise explains. It changes no
    verdict. Exit status: 0 compared, 2 a wrong command or file.
    """
    from linecheck.cli.looked_at import Sources
    from linecheck.records.comparison.compare import compare_sides
    from linecheck.records.comparison.file import write_comparison
    from linecheck.records.comparison.sides import pick, split_reference

    looked_at = Sources(log, station, limits, serial)
    views, picked = {}, []
    for reference in sources:
        source, setup = split_reference(reference)
        if source not in views:
            views[source] = looked_at.view(source)
        picked.append(pick(reference, views[source], setup))
    _echo(write_comparison(out, compare_sides(picked)), out)


def _echo(compared: Comparison, out: str) -> None:
    """Say what was found."""
    from linecheck.records.text import visible

    for side in compared.sides:
        click.echo(visible(f"{side.label}  {side.name}: {side.serial}, {side.verdict}, {side.source}"))
    for note in compared.notes:
        click.echo(visible(f"note: {note}"))
    count = len(compared.findings)
    click.echo(f"{count or 'no'} real difference{'s' * (count != 1)} among {compared.comparisons} compared")
    for finding in compared.findings:
        way = {True: "worse", False: "better", None: "other"}[finding.worse]
        click.echo(visible(f"  {way:<6}  {finding.text}"))
    click.echo(visible(f"{out}/comparison.json  {compared.digest}"))
