"""What a run is looked at beside: earlier units of its model (``--against``), a named reference (``--reference``)."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, ParamSpec, TypeVar

import click

if TYPE_CHECKING:
    from linecheck.records.population import Populations
    from linecheck.records.view import RunView

__all__ = ["against_option", "among_earlier"]

Parameters = ParamSpec("Parameters")
Result = TypeVar("Result")


def against_option(function: Callable[Parameters, Result]) -> Callable[Parameters, Result]:
    """Add the option that names a log of earlier units."""
    option = click.option(
        "--against",
        metavar="LOG",
        default=None,
        help="Show each reading among those of the other units of its model in this log.",
    )
    return option(function)


def among_earlier(view: RunView, against: str | None) -> Populations | None:
    """Return where a run's readings lie among earlier units; None where no log is named.

    What limits it, and what stands apart, is said on standard error.

    Raises
    ------
    LinecheckError
        The log is not there, is none, or cannot be read.
    """
    if against is None:
        return None
    from linecheck.records.log import LogReader
    from linecheck.records.population import population_of

    with LogReader(against) as log:
        found = population_of(view, log)
    from linecheck.records.text import visible

    for line in (*found.notes, *found.apart):
        click.echo(f"linecheck: {visible(line)}", err=True)
    return found
