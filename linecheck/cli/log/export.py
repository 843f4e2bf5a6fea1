"""``linecheck log export``: what a log holds, as a table for other programs."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Iterator
from itertools import takewhile
from pathlib import Path

import click

from linecheck.cli.display.messages import overwritten_line, print_table, tell
from linecheck.cli.display.streams import Outlet
from linecheck.cli.log.filters import filter_options, tell_unknown
from linecheck.cli.options import LogPlace, log_options
from linecheck.errors import UsageError
from linecheck.files.write import GrowingFile, check_can_write
from linecheck.log import RunFilter
from linecheck.log.export import export_formats
from linecheck.log.export.base import ExportFormat
from linecheck.log.export.rows import Row, pages
from linecheck.log.export.tables import TABLES, Table, TableName


@click.command("export")
@log_options
@click.option("--to", "target", metavar="FILE", help="The file; - is standard output.")
@click.option(
    "--format",
    "form",
    type=click.Choice(tuple(export_formats())),
    help="File format [default: by the file's ending].",
)
@click.option("--what", type=click.Choice(list(TABLES)), default="runs", help="What the rows are.")
@click.option(
    "--columns", is_flag=True, help="List the columns of the table and what they mean; export nothing."
)
@filter_options
def export_command(
    place: LogPlace,
    target: str | None,
    form: str | None,
    what: TableName,
    columns: bool,
    wanted: RunFilter,
) -> None:
    """Write runs, or what they measured, as CSV, JSON Lines or Parquet, the oldest run first.

    The file is written whole or not at all. Runs of golden and challenge units are exported with --purpose
    only. Parquet needs pyarrow: pip install 'linecheck[parquet]'.
    """
    table, rows = TABLES[what], 0
    if columns:
        told = [(column.name, column.kind, column.text) for column in table.columns]
        print_table(("column", "type", "meaning"), told, right=())
        return
    if target is None:
        raise UsageError("--to: say where to: a file, or - for standard output")
    checked = _checked_format(form, target)
    with place.reader() as opened, overwritten_line() as show:
        found = pages(opened, table, wanted)
        if target == "-":
            print_pages(checked, table, found)
            return

        def counted() -> Iterator[list[Row]]:
            nonlocal rows
            for page in found:
                rows += len(page)
                show(f"{rows} rows")
                yield page

        _write(checked, table, counted(), Path(target), opened.path)
        if not rows:
            tell_unknown(opened, wanted)
    tell(f"{rows} rows written to {target}")


def _checked_format(form: str | None, target: str) -> ExportFormat:
    known = export_formats()
    name = form or Path(target).suffix.removeprefix(".").lower()
    if name not in known:
        raise UsageError(f"--format: say how it is to be written: {', '.join(known)}")
    known[name].check()
    if not known[name].is_text and target == "-" and sys.stdout.isatty():
        raise UsageError(f"--to: {known[name].text} is nothing for a terminal: name a file")
    return known[name]


def _write(form: ExportFormat, table: Table, pages: Iterable[list[Row]], target: Path, log: Path) -> None:
    """Write a file that is there whole, or not at all."""
    check_can_write(target)
    if target.exists() and target.samefile(log):
        raise UsageError("--to: is the log itself: name another file")
    file = GrowingFile(target)
    try:
        form.write(file, table, pages)
        file.finish()
    finally:
        file.abandon()


def print_pages(form: ExportFormat, table: Table, pages: Iterable[list[Row]]) -> None:
    """Write to standard output, until nobody reads it any more."""
    # What is wrong with standard output is said where the command line ends.
    form.write(_Stdout(), table, takewhile(lambda _: getattr(sys.stdout, "failure", None) is None, pages))


class _Stdout:
    """Standard output, as bytes."""

    def write(self, content: bytes) -> None:
        if isinstance(sys.stdout, Outlet):
            sys.stdout.write_bytes(content)
        else:
            sys.stdout.buffer.write(content)
