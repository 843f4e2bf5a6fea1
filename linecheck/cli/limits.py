"""``linecheck limits``: check limit files; print their schema."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import click

from linecheck.errors import ExitStatus, FileError

if TYPE_CHECKING:
    from linecheck.limits.model import LimitFile

__all__ = ["command"]


@click.group(name="limits")
def command() -> None:
    """Check limit files; print their schema."""


@command.command()
@click.argument("files", nargs=-1, required=True, metavar="FILE...", type=click.Path())
@click.pass_context
def check(context: click.Context, files: tuple[str, ...]) -> None:
    """Check limit files and list every fault of every file.

    Each fault is a line on standard error, FILE:LINE:COLUMN: KEY: what is wrong, what was expected. A file
    that others build on is checked through those. Exit status: 0 all files are right, 2 a file has a fault.
    """
    from linecheck.files.text import visible
    from linecheck.limits.loading.load import load_limits

    wrong = False
    for file in files:
        try:
            click.echo(_summary(load_limits(file)))
        except FileError as error:
            wrong = True
            click.echo(visible(str(error)), err=True)
    context.exit(ExitStatus.WRONG_INPUT if wrong else ExitStatus.PASS)


def _summary(limits: LimitFile) -> str:
    masks = sum(len(check.masks) for check in limits.checks)
    return (
        f"{click.format_filename(limits.path)}: OK, model {limits.model}, revision {limits.revision}, "
        f"{_counted(len(limits.checks), 'check')}, {_counted(masks, 'mask')}, sha256 {limits.sha256}"
    )


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}{'s' if number != 1 else ''}"


@command.command()
def schema() -> None:
    """Print the JSON Schema of limit files, for editors that complete and check YAML."""
    from linecheck.limits.loading.schema import limit_file_schema

    click.echo(json.dumps(limit_file_schema(), indent=2))
