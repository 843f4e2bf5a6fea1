"""A comparison on the screen: who is compared, what was found, and the numbers side by side."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import click

from linecheck.checks.base import Reading
from linecheck.cli.display.messages import counted
from linecheck.cli.display.tables import print_table
from linecheck.files.text import visible
from linecheck.history.comparison.accuracy import accuracy
from linecheck.history.comparison.amounts import amount, decimals_for, difference_unit
from linecheck.history.comparison.findings import spec_of
from linecheck.history.comparison.model import ComparedValue, Comparison, Difference
from linecheck.results.wording import number

__all__ = ["show_comparison"]

_WAYS = {True: "worse", False: "better", None: "other"}
_DROOP = "droop_"


def show_comparison(compared: Comparison, *, everything: bool) -> None:
    """Print a comparison; of its values those that truly differ, or all of them."""
    for side in compared.sides:
        firmware = f", firmware {side.firmware}" if side.firmware else ""
        verdict = side.state.upper()
        click.echo(visible(f"{side.label}  {side.name}: {side.serial}{firmware}, {verdict}, {side.source}"))
    for note in compared.notes:
        click.echo(visible(f"   note: {note}"))
    click.echo()
    _show_findings(compared)
    _show_droop(compared)
    _show_values(compared, everything)


def _show_findings(compared: Comparison) -> None:
    count = len(compared.findings)
    click.echo(
        f"{counted(count, 'real difference') if count else 'no real differences'}, of "
        f"{counted(compared.comparisons, 'number')} compared "
        f"(beyond {compared.sigmas:.1f} standard uncertainties, and beyond the accuracy of the check)"
    )
    for finding in compared.findings:
        click.echo(visible(f"  {_WAYS[finding.worse]:<6}  {finding.text}"))


def _show_droop(compared: Comparison) -> None:
    """Print how far the response has fallen at each frequency, where filters were measured."""
    rows = [
        (value.check, f"{value.metric[len(_DROOP) : -1]} kHz", value.channel or "–", *_cells(value))
        for value in compared.values
        if value.metric.startswith(_DROOP)
    ]
    if rows:
        click.echo("\nresponse re 1 kHz, dB")
        _print(("check", "at", "channel"), compared, rows)


def _show_values(compared: Comparison, everything: bool) -> None:
    listed = [value for value in compared.values if not value.metric.startswith(_DROOP)]
    real = [value for value in listed if any(entry.significant for entry in value.differences)]
    order = {(finding.check, finding.metric): rank for rank, finding in enumerate(compared.findings)}
    real.sort(key=lambda value: order.get((value.check, value.metric), len(order)))
    shown = real + ([value for value in listed if value not in real] if everything else [])
    if shown:
        click.echo("\nvalues, worst first" if real else "\nvalues")
        rows = [(value.check, value.metric, value.channel or "–", *_cells(value)) for value in shown]
        _print(("check", "metric", "channel"), compared, rows)
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


def _print(first: Sequence[str], compared: Comparison, rows: Sequence[Sequence[str]]) -> None:
    names = [side.name for side in compared.sides]
    others = [part for name in names[1:] for part in (f"{name} − {names[0]}", "± (k = 2)", "")]
    headings = (*first, *names, *others)
    right = range(3, 3 + len(names))
    numbers = [3 + len(names) + 3 * at + part for at in range(len(names) - 1) for part in (0, 1)]
    print_table(headings, rows, right=(*right, *numbers))


def _cells(value: ComparedValue) -> Iterator[str]:
    finest = accuracy(spec_of(value))
    for reading in value.readings:
        yield _value(reading, finest)
    for difference in value.differences:
        unit = difference_unit(value.unit)
        yield _number(difference.difference, difference.uncertainty, finest, unit)
        yield _known(difference, finest, unit)
        yield _word(difference)


def _value(reading: Reading | None, finest: float) -> str:
    if reading is None:
        return "–"
    told = _number(reading.value, reading.uncertainty, finest, reading.unit)
    return told + " or better" * reading.is_bound


def _number(value: float | None, uncertainty: float | None, finest: float, unit: str) -> str:
    if value is None:
        return "–"
    return amount(value, unit, decimals_for(value, uncertainty, finest, digits=9), kilo=False)


def _known(difference: Difference, finest: float, unit: str) -> str:
    """Return the expanded uncertainty of a difference; nothing is known better than to the check's accuracy."""
    if difference.uncertainty is None:
        return "–"
    expanded = 2.0 * difference.uncertainty
    return f"under {number(finest, unit, 2)}" if expanded < finest else number(expanded, unit, 2)


def _word(difference: Difference) -> str:
    if difference.significant:
        return "differs"
    return f"not compared: {difference.why}" if difference.why else ""
