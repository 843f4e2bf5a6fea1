"""Tables as commands print them: framed on a terminal, plain columns elsewhere."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence

import click

from linecheck.cli.display.messages import one_line

__all__ = ["print_table", "short_time"]


def print_table(headings: Sequence[str], rows: Iterable[Sequence[str]], right: Sequence[int]) -> None:
    """Print a table; ``right`` are the columns whose cells end alike."""
    cells = [[one_line(cell) for cell in row] for row in rows]
    if not sys.stdout.isatty():
        _print_columns(headings, cells, right)
        return
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table()
    for at, heading in enumerate(headings):
        table.add_column(heading, justify="right" if at in right else "left")
    for row in cells:
        table.add_row(*(Text(cell) for cell in row))
    Console().print(table)


def _print_columns(headings: Sequence[str], cells: Sequence[Sequence[str]], right: Sequence[int]) -> None:
    widths = [max(map(len, column)) for column in zip(headings, *cells, strict=True)]
    for row in (headings, *cells):
        padded = (
            cell.rjust(width) if at in right else cell.ljust(width)
            for at, (cell, width) in enumerate(zip(row, widths, strict=True))
        )
        click.echo("  ".join(padded).rstrip())


def short_time(text: str) -> str:
    """Return a UTC text as tables show it, to the second."""
    return text[:19].replace("T", " ")
