"""The options that every command about capture sets takes."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any, TypeVar, cast

import click

from linecheck.results.files import ResultFiles
from linecheck.results.formats import result_formats
from linecheck.results.formats.base import ResultFormat

__all__ = ["MAX_WORKERS", "result_options", "serial_option", "workers_option"]

MAX_WORKERS = 256

Command = TypeVar("Command", bound=Callable[..., Any])

serial_option = click.option(
    "--serial", metavar="S", help="Serial number of the unit, where the set does not say it."
)


def result_options(*, as_well: bool = False) -> Callable[[Command], Command]:
    """Let a command write its result, and say what a marginal unit ends it with.

    The command gets ``files``, a :class:`~linecheck.results.files.ResultFiles`. ``as_well`` says that a run leaves
    other files besides.
    """

    def decorated(command: Command) -> Command:
        @wraps(command)
        def collected(*arguments: Any, **values: Any) -> Any:  # noqa: ANN401 - any command's
            named = {name: values.pop(f"{name}_path") for name in result_formats()}
            files = ResultFiles({name: Path(path) for name, path in named.items() if path is not None})
            return command(*arguments, files=files, **values)

        strict = click.option("--strict", is_flag=True, help="A marginal unit ends with exit status 1.")
        made = strict(collected)
        for form in reversed(tuple(result_formats().values())):
            made = click.option(
                f"--{form.name}", f"{form.name}_path", metavar="FILE", help=_help(form, as_well)
            )(made)
        return cast("Command", made)

    return decorated


def _help(form: ResultFormat, as_well: bool) -> str:
    there = "there as well" if as_well else "there"
    several = f"; {form.of_many}" if form.of_many and not as_well else ""
    return f"Write {form.what} {there}, as {form.form}{several}."


def workers_option(verb: str) -> Callable[[Command], Command]:
    """Let a command do what a verb says with several sets at a time."""
    return click.option(
        "--workers",
        type=click.IntRange(1, MAX_WORKERS),
        metavar="N",
        help=f"{verb} so many sets at a time [default: as many as there are processors].",
    )
