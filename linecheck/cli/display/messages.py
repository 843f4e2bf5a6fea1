"""What a command says beside its result, how it counts, and tables: framed on a terminal, plain columns elsewhere."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import datetime

import click

from linecheck.files.text import counted as counted
from linecheck.files.text import visible


def tell(message: str) -> None:
    """Say something to the operator, on standard error."""
    click.echo(f"linecheck: {visible(message)}", err=True)


def size_text(size_bytes: float) -> str:
    """Return a size as people read it, in the units that disks are sold in."""
    for unit, factor in (("TB", 1e12), ("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if abs(size_bytes) >= 0.9995 * factor:
            return f"{size_bytes / factor:.3g} {unit}"
    return f"{size_bytes:.0f} B"


def one_line(text: str | None) -> str:
    """Return a text as one line in which every character can be seen."""
    return " ".join(visible(text or "").split())


@contextmanager
def overwritten_line() -> Iterator[Callable[[str], None]]:
    """Give what shows how far a command is, on one line of a terminal that is cleared at the end; nothing elsewhere."""
    if not sys.stderr.isatty():
        yield lambda text: None
        return
    try:
        yield lambda text: click.echo(f"\r{text}", nl=False, err=True)
    finally:
        click.echo("\r\033[K", nl=False, err=True)


def print_table(headings: Sequence[str], rows: Iterable[Sequence[str]], right: Sequence[int]) -> None:
    """Print a table; ``right`` are the columns whose cells end alike."""
    cells = [[one_line(cell) for cell in row] for row in rows]
    if not sys.stdout.isatty():
        for line in columns((headings, *cells), right):
            click.echo(line)
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


def columns(rows: Sequence[Sequence[str]], right: Sequence[int] = ()) -> Iterator[str]:
    """Yield rows as lines with their columns aligned; ``right`` are the columns whose cells end alike."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        padded = (
            cell.rjust(width) if at in right else cell.ljust(width)
            for at, (cell, width) in enumerate(zip(row, widths, strict=True))
        )
        yield "  ".join(padded).rstrip()


def short_time(text: str) -> str:
    """Return a UTC text as tables show it: local time to the second, with its zone."""
    try:
        local = datetime.fromisoformat(text).astimezone()
    except ValueError:
        return text[:19]
    return f"{local:%Y-%m-%d %H:%M:%S %Z}"
