"""``linecheck statistics among``: a run's readings among units of several models, and among stated values."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

import click

from linecheck.cli.log.filters import filter_options
from linecheck.cli.statistics.options import Output, output_options, source_options
from linecheck.errors import UsageError
from linecheck.files.text import visible
from linecheck.log import LogReader, RunFilter
from linecheck.report.render import among_page
from linecheck.results.wording import number
from linecheck.run.model import Run
from linecheck.statistics.among import COLUMNS, places_of
from linecheck.statistics.among import Place as Reading
from linecheck.statistics.columns import Place, open_columns
from linecheck.statistics.stated import load_stated
from linecheck.statistics.words import of_model_text, of_stated_text

_HEADINGS = (
    "check", "metric", "channel", "value", "unit", "beside", "units", "low", "median", "high", "share_or_difference",
    "text",
)  # fmt: skip


@click.command("among")
@click.argument("run")
@source_options
@filter_options
@click.option("--run-log", metavar="PATH", help="The log that RUN is in [default: the first --log].")
@click.option(
    "--metric", "metrics", multiple=True, metavar="[CHECK.]METRIC", help="Only this one; repeatable."
)
@click.option("--stated", "stated_path", metavar="FILE", help="Values stated of other devices (YAML).")
@output_options
def among_command(
    run: str,
    place: Place,
    wanted: RunFilter,
    run_log: str | None,
    metrics: tuple[str, ...],
    stated_path: str | None,
    output: Output,
) -> None:
    """Tell where the readings of RUN lie among units of several models, and among stated values.

    RUN is a run's id, its number in the log, or a serial number. Without --metric the readings that a mask judges are
    told. What was measured otherwise (another band, level, setup) is shown, and not compared.
    """
    stated = () if stated_path is None else load_stated(stated_path)
    told = _run(run, run_log, place)
    with open_columns(place, wanted, columns=COLUMNS) as columns:
        places = places_of(told, columns, stated, metrics)
        source = columns.source
    if not places:
        raise UsageError(f"{visible(run)}: the run has no such reading")
    output.write_csv(_HEADINGS, _csv_rows(places))
    output.write_page(among_page(told, places, source))
    if output.as_json:
        output.print_json(
            {"run": told.run_id, "source": source, "readings": [_plain(each) for each in places]}
        )
        return
    click.echo(f"{visible(told.serial)}, run {told.run_id[:8]}, beside units in {source}")
    for each in places:
        click.echo(f"{_name(each)}: {number(each.value, each.unit)}")
        for name, text in _texts(each):
            click.echo(f"  {name}: {text}")


def _run(run: str, run_log: str | None, place: Place) -> Run:
    if run_log is None and not place.logs:
        raise UsageError("--run-log: say in which log RUN is")
    with LogReader(run_log or place.logs[0]) as log:
        return log.record(log.find(run))


def _name(place: Reading) -> str:
    channel = "" if place.channel is None else f" {visible(place.channel)}"
    return f"{visible(place.check)}.{place.metric}{channel}"


def _texts(place: Reading) -> Iterator[tuple[str, str]]:
    yield from ((visible(found.model), of_model_text(found, place)) for found in place.models)
    yield from ((visible(found.stated.name), of_stated_text(found, place)) for found in place.stated)
    if not place.models and not place.stated:
        yield "nothing beside it", "no other unit has this reading"


def _csv_rows(places: tuple[Reading, ...]) -> Iterator[tuple[Any, ...]]:
    for place in places:
        own = (place.check, place.metric, place.channel, place.value, place.unit)
        for found in place.models:
            span = (found.units, found.low, found.median, found.high, found.worse_share)
            yield (*own, found.model, *span, of_model_text(found, place))
        for said in place.stated:
            value = said.stated.value
            yield (
                *own,
                said.stated.name,
                None,
                value,
                value,
                value,
                said.difference,
                of_stated_text(said, place),
            )


def _plain(place: Reading) -> dict[str, Any]:
    found = asdict(place)
    found["stated"] = [
        {**vars(each), "stated": each.stated.model_dump(), "text": of_stated_text(each, place)}
        for each in place.stated
    ]
    found["models"] = [{**asdict(each), "text": of_model_text(each, place)} for each in place.models]
    return found
