"""``linecheck statistics look``: what to look at first."""

from __future__ import annotations

import click

from linecheck.cli.display.messages import counted
from linecheck.cli.log.filters import filter_options
from linecheck.cli.statistics.options import (
    Output,
    output_options,
    page_columns,
    source_options,
    write_line_page,
)
from linecheck.log import RunFilter
from linecheck.statistics import standouts
from linecheck.statistics.columns import Place, open_columns
from linecheck.statistics.moved import moved_of
from linecheck.statistics.words import moved_texts, standout_plain, standout_text
from linecheck.statistics.yields import COLUMNS

_HEADINGS = (
    "parted_by", "group", "units", "failed", "rest_units", "rest_failed", "excess", "metrics_apart", "chance", "text",
)  # fmt: skip


@click.command("look")
@source_options
@filter_options
@output_options
def look_command(place: Place, wanted: RunFilter, output: Output) -> None:
    """Tell what to look at first: stations, nests, lots and the like that stand out, and what has moved.

    A group stands out where its units fail more often than the others, or where a metric's mean lies apart from
    theirs, by more than chance makes of so many groups and metrics (1 in 100 lines without anything the matter has
    one). The product, a station, a nest or a golden unit has moved where a metric of the newest 20000 runs says so as
    surely; `statistics drift` tells more of it. Each unit counts once, by the first run that judged it.

    Exit status: 0 also where something stands out, 3 no unit was judged.
    """
    with open_columns(
        place, wanted, columns=(*page_columns(output), *COLUMNS, *standouts.COLUMNS)
    ) as columns:
        found = standouts.standouts_of(columns)
        moved = moved_texts(moved_of(columns))
        judged = standouts.units_judged(columns)
        write_line_page(output, columns)
        source = columns.source
    output.write_csv(
        _HEADINGS,
        (
            (
                each.parted_by, each.group, each.units, each.failed.found, each.rest.among, each.rest.found,
                each.excess, len(each.apart), each.chance, standout_text(each),
            )
            for each in found
        ),
    )  # fmt: skip
    if output.as_json:
        output.print_json(
            {
                "source": source,
                "units": judged,
                "standouts": [standout_plain(each) for each in found],
                "moved": moved,
            }
        )
    else:
        click.echo(f"{counted(judged, 'unit')} judged: {source}")
        for number, text in enumerate([*map(standout_text, found), *moved], 1):
            click.echo(f"{number}. {text}.")
        if judged and not found:
            click.echo(
                "Nothing stands out by station, nest, lot, operator, shift, firmware, variant or work order."
            )
        if judged and not moved:
            click.echo("No metric is shown to have moved.")
    if not judged:
        raise click.exceptions.Exit(3)
