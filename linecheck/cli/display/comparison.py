"""A comparison on the screen: who is compared, what was found, and the numbers side by side."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import click

from linecheck.cli.display.messages import counted, print_table
from linecheck.files.text import visible
from linecheck.history.comparison.findings import without_superseded
from linecheck.history.comparison.model import ComparedValue, Comparison
from linecheck.history.comparison.topics import grouped
from linecheck.report.compared_values import compared_rows, is_response_at
from linecheck.report.comparison_page import group_parts


def show_comparison(compared: Comparison, *, everything: bool) -> None:
    """Print a comparison; of its values those that truly differ, or all of them."""
    compared = replace(compared, values=tuple(without_superseded(compared.values)))
    for side in compared.sides:
        firmware = f", firmware {side.firmware}" if side.firmware else ""
        verdict = side.state.upper()
        click.echo(visible(f"{side.label}  {side.name}: {side.serial}{firmware}, {verdict}, {side.source}"))
    for note in compared.notes:
        click.echo(visible(f"   note: {note}"))
    click.echo()
    for sentence, explained in compared.sounds:
        click.echo(visible(sentence))
        if explained:
            click.echo(visible(f"  {explained}"))
    _show_findings(compared, everything)
    _show_table("response re 1 kHz", compared, filter(is_response_at, compared.values))
    _show_values(compared, everything)


def _show_findings(compared: Comparison, everything: bool) -> None:
    """Print what differs, what belongs together once; on demand each finding of it."""
    groups = list(group_parts(grouped(compared), compared))
    told = f" ({counted(len(compared.findings), 'finding')})" if len(compared.findings) > len(groups) else ""
    click.echo(
        f"{counted(len(groups), 'real difference') if groups else 'no real differences'}{told}, of "
        f"{counted(compared.comparisons, 'number')} compared "
        f"(beyond {compared.sigmas:.1f} standard uncertainties, and beyond the accuracy of the check)"
    )
    for group in groups:
        more = f"; {group['more']}" if group["more"] and not everything else ""
        click.echo(visible(f"  {group['way']:<6}  {group['sides']}: {group['text']}{more}"))
        for text in group["findings"] if everything else ():
            click.echo(visible(f"            {text}"))
    if not everything and any(group["more"] for group in groups):
        click.echo("  (--all lists every finding)")


def _show_values(compared: Comparison, everything: bool) -> None:
    listed = [value for value in compared.values if not is_response_at(value)]
    real = [value for value in listed if any(entry.significant for entry in value.differences)]
    order = {(finding.check, finding.metric): rank for rank, finding in enumerate(compared.findings)}
    real.sort(key=lambda value: order.get((value.check, value.metric), len(order)))
    shown = real + ([value for value in listed if value not in real] if everything else [])
    _show_table("values, worst first" if real else "values", compared, shown)
    rest = [value for value in listed if value not in shown]
    alone = sum(any(entry.difference is None for entry in value.differences) for value in rest)
    if len(rest) > alone:
        alike = len(rest) - alone
        verb = "does" if alike == 1 else "do"
        click.echo(f"{counted(alike, 'more value')} {verb} not differ (--all lists them)")
    if alone:
        click.echo(
            f"{counted(alone, 'more value')} missing on a side and not compared there (--all lists them)"
        )


def _show_table(heading: str, compared: Comparison, values: Iterable[ComparedValue]) -> None:
    """Print the values of all sides, their differences from the first, and what these mean."""
    rows = [
        (check, metric, channels or "–", *texts, *(cell for difference in differences for cell in difference))
        for check, metric, channels, texts, differences in compared_rows(values)
    ]
    if not rows:
        return
    click.echo(f"\n{heading}")
    first, *others = (side.name for side in compared.sides)
    headings = ("check", "metric", "channel", first, *others)
    headings += tuple(cell for name in others for cell in (f"{name} − {first}, ± (k = 2)", ""))
    numbers = range(3, len(headings))
    print_table(headings, rows, right=[at for at in numbers if headings[at]])
