"""What a run is looked at beside: earlier units of its model (``--against``), a named reference (``--reference``)."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from dataclasses import replace
from typing import TYPE_CHECKING, ParamSpec, TypeVar

import click

from linecheck.errors import UsageError

if TYPE_CHECKING:
    from linecheck.history.population import Populations
    from linecheck.run.model import Run

__all__ = ["against_option", "among_earlier", "reference_option", "tell_differences"]

Parameters = ParamSpec("Parameters")
Result = TypeVar("Result")


def reference_option(text: str) -> Callable[[Callable[Parameters, Result]], Callable[Parameters, Result]]:
    """Return the option that names one run to look at beside; a second one would otherwise replace the first."""
    return click.option("--reference", metavar="RUN", multiple=True, callback=_only, help=text)


def _only(_: click.Context, parameter: click.Parameter, values: tuple[str, ...]) -> str | None:
    if len(values) > 1:
        raise UsageError(
            f"{parameter.opts[0]}: is given {len(values)} times, and one run is shown beside another: name one. "
            "linecheck compare holds several against each other"
        )
    return values[0] if values else None


def against_option(function: Callable[Parameters, Result]) -> Callable[Parameters, Result]:
    """Add the option that names a log of earlier units."""
    option = click.option(
        "--against",
        metavar="LOG",
        default=None,
        help="Show each reading among those of the other units of its model in this log.",
    )
    return option(function)


def among_earlier(
    view: Run, against: str | None, checks: Collection[str] | None = None
) -> Populations | None:
    """Return where a run's readings (of all checks, or of these) lie among earlier units; None where no log is named.

    What limits it, and what stands apart, is said on standard error.

    Raises
    ------
    LinecheckError
        The log is not there, is none, or cannot be read.
    """
    if against is None:
        return None
    from linecheck.history.population import population_of
    from linecheck.log import LogReader

    if checks is not None:
        view = replace(view, checks=tuple(check for check in view.checks if check.check in checks))
    with LogReader(against) as log:
        found = population_of(view, log)
    _tell((*found.notes, *found.apart))
    return found


def tell_differences(view: Run, reference: Run) -> None:
    """Say on standard error where a run and its reference were not measured alike."""
    from linecheck.history.reference import reference_notes

    _tell(reference_notes(view, reference))


def _tell(lines: Iterable[str]) -> None:
    from linecheck.files.text import visible

    for line in lines:
        click.echo(f"linecheck: {visible(line)}", err=True)
