"""What a command says beside its result, and how it counts."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click

from linecheck.files.text import visible

__all__ = ["counted", "one_line", "overwritten_line", "size_text", "tell"]


def tell(message: str) -> None:
    """Say something to the operator, on standard error."""
    click.echo(f"linecheck: {visible(message)}", err=True)


def counted(number: int, noun: str) -> str:
    """Return a number with its noun."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


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
