"""``linecheck schema``: the formats of files that other programs write and read."""

from __future__ import annotations

import json

import click

from linecheck.limits.loading.schema import limit_file_schema
from linecheck.results.schema import shipped_schema


@click.command(name="schema")
@click.argument("what", type=click.Choice(["limits", "result"]))
def command(what: str) -> None:
    """Print the JSON Schema (draft 2020-12) of limit files, or of the results that --json writes."""
    click.echo(json.dumps(limit_file_schema() if what == "limits" else shipped_schema(), indent=2))
