"""``linecheck log assets`` and ``linecheck log used``: what runs rest on, and which runs rest on a thing."""

from __future__ import annotations

import difflib
import json
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any, Final

import click

from linecheck.cli.display.messages import counted, print_table, short_time
from linecheck.cli.log.export import print_pages
from linecheck.cli.log.filters import parsed_span, short_name
from linecheck.cli.options import LogPlace, log_options
from linecheck.errors import UsageError
from linecheck.files.text import visible
from linecheck.log import KnownAsset, LogReader, RunFilter
from linecheck.log.export import export_formats
from linecheck.log.export.rows import pages
from linecheck.log.export.tables import TABLES

_MAX_NAMED: Final = 8


@click.command("assets")
@log_options
@click.option("--json", "as_json", is_flag=True, help="One JSON object per line for each asset.")
def assets_command(place: LogPlace, as_json: bool) -> None:
    """List the assets that runs used: interfaces, cables, adapters; each with its number of runs."""
    with place.reader() as opened:
        found = opened.assets()
    if as_json:
        for asset in found:
            click.echo(json.dumps(asdict(asset), allow_nan=False))
        return
    if not found:
        click.echo("no run in the log names an asset")
        return
    headings = (
        "asset",
        "role",
        "runs",
        "first used",
        "record",
        "last used",
        "record",
        "last recorded",
    )
    print_table(headings, [_asset_row(asset) for asset in found], right=(2, 4, 6))


@click.command("used")
@click.argument("asset", callback=short_name)
@log_options
@click.option(
    "--from", "--since", "since", metavar="TIME", help="Recorded at this date or time (UTC) or later."
)
@click.option(
    "--to",
    "--until",
    "until",
    metavar="TIME",
    help="Recorded before this time, or by the end of this date (UTC).",
)
@click.option(
    "--format",
    "form",
    type=click.Choice(["table", *(name for name, form in export_formats().items() if form.is_text)]),
    default="table",
    help="Output format.",
)
def used_command(place: LogPlace, asset: str, since: str | None, until: str | None, form: str) -> None:
    """List the runs that used one asset, a cable or an interface, oldest first.

    Each run is a mating cycle of a cable that every unit is connected with. All runs are listed, those of golden and
    challenge units too; `linecheck log export --what assets` writes them to a file.
    """
    begin, end = parsed_span(since, until, ("--from", "--to"))
    wanted = RunFilter(asset=asset, since=begin, until=end)
    with place.reader() as opened:
        known = {entry.asset: entry for entry in opened.assets()}
        if asset not in known:
            raise UsageError(_unknown(opened, asset, known))
        table = TABLES["assets"]
        names = [column.name for column in table.columns]
        # The runs have other assets too.
        found = (
            [row for row in page if row[names.index("asset")] == asset]
            for page in pages(opened, table, wanted)
        )
        if form == "table":
            uses = [dict(zip(names, row, strict=True)) for page in found for row in page]
            _print_uses(uses, known[asset])
        else:
            print_pages(export_formats()[form], table, found)


def _print_uses(uses: list[dict[str, Any]], known: KnownAsset) -> None:
    if uses:
        headings = ("record", "recorded", "serial", "model", "attempt", "purpose", "verdict", "role")
        print_table(headings, [_use_row(use) for use in uses], right=(0, 4))
    units = len({(use["serial"], use["model"]) for use in uses})
    click.echo(
        f"{counted(len(uses), 'run')} of {counted(units, 'unit')}; "
        f"{counted(known.runs, 'run')} with it in the whole log, since record {known.first}"
    )


def _use_row(use: Mapping[str, Any]) -> tuple[str, ...]:
    return (
        str(use["record"]),
        short_time(use["recorded"]),
        use["serial"],
        use["model"],
        str(use["attempt"]),
        use["purpose"],
        use["run_verdict"].upper(),
        use["role"],
    )


def _asset_row(asset: KnownAsset) -> tuple[str, ...]:
    return (
        asset.asset,
        asset.role,
        str(asset.runs),
        short_time(asset.first_recorded),
        str(asset.first),
        short_time(asset.last_recorded),
        str(asset.last),
        ", ".join(f"{name} {value}" for name, value in asset.facts.items()) or "–",
    )


def _unknown(opened: LogReader, asset: str, known: Mapping[str, KnownAsset]) -> str:
    """Return what is said of an asset that no run names, with the names that are most like it."""
    like = difflib.get_close_matches(asset, list(known), _MAX_NAMED, cutoff=0.5)
    named = list(dict.fromkeys([*like, *known]))
    more = len(named) - _MAX_NAMED
    listed = ", ".join(visible(name) for name in named[:_MAX_NAMED]) or "none"
    rest = f" and {more} more (linecheck log assets)" if more > 0 else ""
    where = visible(str(opened.path))
    return f"{where}: no run in the log names the asset {visible(asset)}; those that one does: {listed}{rest}"
