"""``linecheck statistics yield``: yield, what fails most, and what retests hid."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import click

from linecheck.cli.display.messages import counted, print_table
from linecheck.cli.log.filters import filter_options
from linecheck.cli.options import limit_option
from linecheck.cli.statistics.options import (
    Output,
    output_options,
    page_columns,
    source_options,
    write_line_page,
)
from linecheck.files.text import visible
from linecheck.log import RunFilter
from linecheck.statistics.columns import Place, open_columns
from linecheck.statistics.words import cause_texts, interval_text, lines_of, share_text
from linecheck.statistics.yields import COLUMNS, GROUPS, Group, Row, Share, Yields, cumulated, yields_of


@click.command("yield")
@source_options
@filter_options
@click.option("--by", type=click.Choice(tuple(GROUPS)), help="Also tell it by this.")
@limit_option("At most this many groups, causes and metrics.", default=15)
@output_options
def yield_command(place: Place, wanted: RunFilter, by: str | None, limit: int, output: Output) -> None:
    """Count yield by unit, what fails most, and what retests hid.

    First-pass: units that passed in the first run that judged them. Final: units that the retest rule releases after
    their last run. Rolled: the product of the checks' own yields. Invalid and aborted runs judge nothing; golden and
    challenge units are never counted. Intervals are exact (Clopper and Pearson), at 95 %.

    Exit status: 0 there are units, 3 no unit was judged.
    """
    needed = (*page_columns(output), *COLUMNS, *filter(None, (by,)))
    with open_columns(place, wanted, columns=needed) as columns:
        found = yields_of(columns, by, limit=limit)
        write_line_page(output, columns)
        source = columns.source
    output.write_csv(_HEADINGS, _csv_rows(found, by))
    if output.as_json:
        output.print_json(plain(found) | {"source": source, "by": by})
    else:
        _print(found, by, source)
    if not found.final.among:
        raise click.exceptions.Exit(3)


_HEADINGS = ("table", "name", "units", "of", "share", "low", "high", "final", "final_of")


def _csv_rows(found: Yields, by: str | None) -> Iterator[Sequence[Any]]:
    yield ("yield", "first-pass", *_cells(found.first_pass), None, None)
    yield ("yield", "final", *_cells(found.final), None, None)
    for group in found.groups:
        yield (by, group.name, *_cells(group.first_pass), group.final.found, group.final.among)
    for table, rows in (("cause", found.causes), ("metric", found.metrics), ("check", found.checks)):
        yield from ((table, row.name, *_cells(row.units), None, None) for row in rows)


def _cells(share: Share) -> tuple[Any, ...]:
    return (share.found, share.among, share.value, *share.interval)


def plain(found: Yields) -> dict[str, Any]:
    """Return yields as plain data."""
    numbers = (
        "runs", "units", "rolled", "invalid", "aborted", "held", "unjudged", "hidden", "repaired", "first_seen_before",
        "since", "until",
    )  # fmt: skip
    rows = {
        name: [{"name": row.name} | row.units.plain() for row in getattr(found, name)]
        for name in ("checks", "causes", "metrics")
    }
    groups = [
        {"name": group.name, "first_pass": group.first_pass.plain(), "final": group.final.plain()}
        for group in found.groups
    ]
    shares = {name: getattr(found, name).plain() for name in ("first_pass", "final")}
    return {**shares, **{name: getattr(found, name) for name in numbers}, **rows, "groups": groups}


def _print(found: Yields, by: str | None, source: str) -> None:
    if not found.units:
        click.echo(f"no runs of units in {source}")
        return
    span = f"{found.since} to {found.until}"
    click.echo(f"{counted(found.units, 'unit')} in {counted(found.runs, 'run')}, {span}: {source}")
    lines = list(lines_of(found))
    width = max(len(name) for name, _ in lines)
    for name, text in lines:
        click.echo(f"  {name.ljust(width)}  {text}")
    if found.groups:
        click.echo("")
        print_table(
            (by or "", "units", "first-pass", "at 95 %", "final"), map(_group_cells, found.groups), (1, 2, 4)
        )
    _print_pareto("cause of units that failed first", found.causes, cause_texts())
    _print_pareto("metric that failed first", found.metrics, {})


def _group_cells(group: Group) -> tuple[str, ...]:
    first = group.first_pass
    name = visible(group.name) or "not said"
    return name, str(first.among), share_text(first), interval_text(first), share_text(group.final)


def _print_pareto(caption: str, rows: Sequence[Row], names: Mapping[str, str]) -> None:
    if not rows:
        return
    click.echo("")
    table = [
        (
            names.get(row.name, visible(row.name)),
            str(row.units.found),
            share_text(row.units),
            interval_text(row.units),
            f"{100.0 * so_far:.0f} %",
        )
        for row, so_far in zip(rows, cumulated(rows), strict=True)
    ]
    print_table((caption, "units", "share", "at 95 %", "cumulated"), table, (1, 2, 4))
