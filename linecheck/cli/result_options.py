"""The options for the files that a run's result is written to, one for each result format, and ``--strict``."""

from __future__ import annotations

from pathlib import Path

import click

from linecheck.cli.options import Option, collected
from linecheck.results.files import ResultFiles
from linecheck.results.formats import result_formats
from linecheck.results.formats.base import ResultFormat

strict_option = click.option("--strict", is_flag=True, help="Exit with status 1 for a marginal unit.")


def result_options(*, as_well: bool = False) -> Option:
    """Return the options that name the files; a command gets them as ``files``, a :class:`ResultFiles`.

    ``as_well`` says that a run leaves other files besides.
    """
    options = [
        click.option(f"--{form.name}", f"{form.name}_path", metavar="FILE", help=_help(form, as_well))
        for form in result_formats().values()
    ]

    def made(**paths: str | None) -> ResultFiles:
        named = zip(result_formats(), paths.values(), strict=True)
        return ResultFiles({name: Path(path) for name, path in named if path is not None})

    return collected(options, "files", made)


def _help(form: ResultFormat, as_well: bool) -> str:
    write = "Also write" if as_well else "Write"
    several = f"; {form.of_many}" if form.of_many and not as_well else ""
    return f"{write} {form.what} to FILE, as {form.form}{several}."
