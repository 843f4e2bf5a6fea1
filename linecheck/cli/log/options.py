"""The options that say which log a command reads, and opening it."""

from __future__ import annotations

import functools
import os
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar

import click

from linecheck.errors import UsageError

if TYPE_CHECKING:
    from linecheck.log import Log, LogReader
    from linecheck.log.station_key import SignedBy

__all__ = [
    "DEFAULT_LOG",
    "log_location",
    "log_options",
    "log_to_add_to",
    "opened_log",
    "public_key_options",
    "short_time",
]

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


def public_key_options(function: Callable[..., Result]) -> Callable[..., Result]:
    """Add the options that say whose signatures records must have, and give them as ``signed_by``."""

    @functools.wraps(function)
    def with_keys(
        *arguments: Any,  # noqa: ANN401 - the command's own
        public_keys: tuple[str, ...],
        signed_from: int,
        **options: Any,  # noqa: ANN401 - the command's own
    ) -> Result:
        return function(*arguments, signed_by=_signed_by(public_keys, signed_from), **options)

    keys = click.option(
        "--public-key",
        "public_keys",
        metavar="FILE",
        multiple=True,
        help="Every record must be signed by this key of a station; repeatable.",
    )
    first = click.option(
        "--signed-from",
        type=click.IntRange(1),
        default=1,
        show_default=True,
        help="With --public-key: the record that signing began with.",
    )
    return keys(first(with_keys))


def _signed_by(public_keys: tuple[str, ...], signed_from: int) -> SignedBy | None:
    if not public_keys:
        if signed_from > 1:
            raise UsageError("--signed-from goes with --public-key")
        return None
    from linecheck.log.station_key import SignedBy

    return SignedBy.files(public_keys, signed_from)


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
