"""The options that the statistics share: where runs are read, and what is written."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import click

from linecheck.cli.options import DEFAULT_LOG, collected
from linecheck.files.cells import csv_text
from linecheck.files.text import visible
from linecheck.files.write import check_can_write, write_atomically
from linecheck.report.render import line_page
from linecheck.statistics import line
from linecheck.statistics.columns import Columns, Place


def _place(logs: tuple[str, ...], parquet: tuple[str, ...], server: str | None, limits: str | None) -> Place:
    if not logs and not parquet and server is None:
        logs = (os.environ.get("LINECHECK_LOG") or DEFAULT_LOG,)
    return Place(logs, parquet, server, limits)


#: Where runs are read; a command gets it as ``place``.
source_options = collected(
    (
        click.option(
            "--log",
            "logs",
            metavar="PATH",
            multiple=True,
            help=f"A log; repeatable [default: $LINECHECK_LOG, or {DEFAULT_LOG}].",
        ),
        click.option(
            "--parquet",
            metavar="FOLDER",
            multiple=True,
            help="A log that was exported as Parquet: runs.parquet, readings.parquet; repeatable.",
        ),
        click.option(
            "--server", metavar="URL", help="All logs at a central server, as `linecheck sync --to` names it."
        ),
        click.option(
            "--limits",
            metavar="FILE",
            help="The limit file whose masks, and whose retest rule, hold [default: the newest run's].",
        ),
    ),
    "place",
    _place,
)


@dataclass(frozen=True)
class Output:
    """What a command writes beside its text."""

    as_json: bool
    csv_path: str | None
    page: str | None

    def __post_init__(self) -> None:
        """Refuse what cannot be written before anything is computed."""
        for path in filter(None, (self.csv_path, self.page)):
            check_can_write(Path(path))

    def print_json(self, content: Any) -> None:  # noqa: ANN401 - plain data
        """Print plain data."""
        click.echo(json.dumps(content, allow_nan=False))

    def write_csv(self, headings: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
        """Write a table as CSV, where it is asked for."""
        if self.csv_path is None:
            return
        write_atomically(Path(self.csv_path), csv_text(headings, rows).encode())
        self._told(self.csv_path)

    def write_page(self, page: str) -> None:
        """Write a page, where it is asked for."""
        if self.page is not None:
            write_atomically(Path(self.page), page.encode())
            self._told(self.page)

    def _told(self, path: str) -> None:
        click.echo(visible(path), err=self.as_json)


def page_columns(output: Output) -> tuple[str, ...]:
    """Return the columns of the runs that the page of a line asks for, where it is asked for."""
    return () if output.page is None else line.COLUMNS


def write_line_page(output: Output, columns: Columns) -> None:
    """Write the page of a line, where it is asked for."""
    if output.page is not None:
        output.write_page(line_page(line.line_of(columns)))


#: What is written; a command gets it as ``output``.
output_options = collected(
    (
        click.option("--json", "as_json", is_flag=True, help="Print the figures as JSON."),
        click.option("--csv", "csv_path", metavar="FILE", help="Also write the table as CSV."),
        click.option("--out", "page", metavar="FILE", help="Also write an HTML page."),
    ),
    "output",
    Output,
)
