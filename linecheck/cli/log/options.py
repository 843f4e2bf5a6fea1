"""The options that say which log a command reads, and opening it."""

from __future__ import annotations

import os
from collections.abc import Callable
from typing import TYPE_CHECKING, ParamSpec, TypeVar

import click

from linecheck.errors import UsageError

if TYPE_CHECKING:
    from linecheck.log import Log, LogReader

__all__ = ["DEFAULT_LOG", "log_location", "log_options", "log_to_add_to", "opened_log", "short_time"]

#: Where a station's log is, unless its config says otherwise.
DEFAULT_LOG = "results/linecheck.sqlite"

Parameters = ParamSpec("Parameters")
Result = TypeVar("Result")


def log_options(function: Callable[Parameters, Result]) -> Callable[Parameters, Result]:
    """Add the options that say which log is meant."""
    log = click.option(
        "--log",
        metavar="PATH",
        default=None,
        help=f"The log. Default: the environment's LINECHECK_LOG, or {DEFAULT_LOG}.",
    )
    station = click.option(
        "--station", metavar="FILE", default=None, help="Take the log that this station config names."
    )
    return log(station(function))


def log_location(log: str | None, station: str | None) -> str:
    """Return where the log is that is meant.

    Raises
    ------
    UsageError
        Both options are given.
    FileError
        The station config cannot be read.
    """
    if log is not None and station is not None:
        raise UsageError("give --log or --station, not both")
    if station is not None:
        from linecheck.station.config.load import load_station

        return load_station(station).config.records.database
    return log or os.environ.get("LINECHECK_LOG") or DEFAULT_LOG


def opened_log(log: str | None, station: str | None) -> LogReader:
    """Open the log that is meant, to read from."""
    from linecheck.log import LogReader

    return LogReader(log_location(log, station))


def log_to_add_to(log: str | None, station: str | None) -> Log:
    """Open the log that is meant, to add to; what is added is signed where the station has a key."""
    from linecheck.log import Log

    if station is None or log is not None:
        return Log(log_location(log, station))
    from linecheck.station.config.load import load_station

    return Log.of_station(load_station(station).config)


def short_time(text: str) -> str:
    """Return a UTC text as tables show it, to the second."""
    return text[:19].replace("T", " ")
