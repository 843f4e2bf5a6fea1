"""What a command says beside its result."""

from __future__ import annotations

import click

from linecheck.files.text import visible

__all__ = ["tell"]


def tell(message: str) -> None:
    """Say something to the operator, on standard error."""
    click.echo(f"linecheck: {visible(message)}", err=True)
