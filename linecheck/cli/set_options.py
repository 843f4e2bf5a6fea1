"""The options that every command about capture sets takes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

import click

__all__ = ["MOST_WORKERS", "result_options", "serial_option", "workers_option"]

MOST_WORKERS = 256

Command = TypeVar("Command", bound=Callable[..., Any])

serial_option = click.option(
    "--serial", metavar="S", help="Serial number of the unit, where the set does not say it."
)

_RESULTS = (
    click.option(
        "--json",
        "json_path",
        metavar="FILE",
        help="Write the result there, as JSON; of several, a line each.",
    ),
    click.option("--junit", "junit_path", metavar="FILE", help="Write the result there, as JUnit XML."),
    click.option("--summary", "summary_path", metavar="FILE", help="Write a short table there, as Markdown."),
    click.option("--strict", is_flag=True, help="A marginal unit ends with exit status 1."),
)


def result_options(command: Command) -> Command:
    """Let a command write its results, and say what a marginal unit ends it with."""
    for option in reversed(_RESULTS):
        command = option(command)
    return command


def workers_option(verb: str) -> Callable[[Command], Command]:
    """Let a command do what a verb says with several sets at a time."""
    return click.option(
        "--workers",
        type=click.IntRange(1, MOST_WORKERS),
        metavar="N",
        help=f"{verb} so many sets at a time [default: as many as there are processors].",
    )
