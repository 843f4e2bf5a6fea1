"""Options that several commands share; nothing heavy is imported for them."""

from __future__ import annotations

import functools
import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import click

from linecheck.errors import UsageError

if TYPE_CHECKING:
    from linecheck.limits.model import LimitFile
    from linecheck.log import Log, LogReader
    from linecheck.station.config.station import StationConfig

#: Where a command's context says that ``--all`` was given: the screen asks for it, several calls further down.
EVERYTHING = "linecheck.everything"
#: Where a station's log is, unless its config says otherwise.
DEFAULT_LOG = "results/linecheck.sqlite"
MAX_LISTED = 100_000
MAX_WORKERS = 256

Command = Callable[..., Any]
Option = Callable[[Command], Command]

limits_file_option = functools.partial(click.option, "--limits", "limits_path", metavar="FILE")
limits_option = limits_file_option(required=True, help="Limit file of the model (YAML).")
limits_files_option = functools.partial(
    click.option, "--limits", "limits_paths", multiple=True, metavar="FILE"
)
station_file_option = functools.partial(click.option, "--station", "station_path", metavar="FILE")
station_option = station_file_option(required=True, help="Station config (TOML).")
serial_option = click.option(
    "--serial", metavar="S", help="Serial number of the unit, where the set does not state it."
)
fault_option = click.option(
    "--fault",
    "faults",
    multiple=True,
    metavar="NAME",
    help="Give the simulated unit a fault; a wrong name lists them all.",
)
everything_option = click.option(
    "--all",
    is_flag=True,
    expose_value=False,
    callback=lambda context, _, value: context.meta.update({EVERYTHING: value}),
    help="Show every judged value, with its margin.",
)
study_option = click.option(
    "--study",
    "study_path",
    metavar="PLAN",
    help="Measure units for this gauge study, in its plan's order; nothing is tested.",
)
before_option = click.option(
    "--before", type=click.IntRange(1), help="Only records before this one, for the next page."
)


setup_option = functools.partial(click.option, "--setup", "settings", multiple=True, metavar="NAME=VALUE")
without_option = functools.partial(click.option, "--without", multiple=True, metavar="CHECK")


def limit_option(what: str = "List at most this many.", default: int = 20, least: int = 1) -> Option:
    """Return the option that says how many rows are listed."""
    kind = click.IntRange(least, MAX_LISTED)
    return click.option("--limit", type=kind, default=default, help=what)


def workers_option(verb: str) -> Option:
    """Return the option for how many sets are taken at a time; ``verb`` says what is done with them."""
    return click.option(
        "--workers",
        type=click.IntRange(1, MAX_WORKERS),
        metavar="N",
        help=f"{verb} N sets at a time [default: the number of processors].",
    )


def collected(options: Sequence[Option], into: str, make: Callable[..., Any]) -> Option:
    """Return a decorator that adds options and gives a command what ``make`` makes of them, as one parameter.

    Parameters
    ----------
    options : sequence of decorators
        In the order in which help lists them.
    into : str
        The command's parameter.
    make : callable
        Given the options' values by name, in that order.
    """
    names = [click.command()(option(lambda: None)).params[0].name for option in options]

    def decorator(command: Command) -> Command:
        @functools.wraps(command)
        def with_made(*arguments: Any, **values: Any) -> Any:  # noqa: ANN401 - any command's
            made = make(**{name: values.pop(name) for name in names})
            return command(*arguments, **{into: made}, **values)

        decorated: Command = with_made
        for option in reversed(options):
            decorated = option(decorated)
        return decorated

    return decorator


@dataclass(frozen=True)
class LogPlace:
    """The log that a command is about, as ``--log`` and ``--station`` name it."""

    log: str | None = None
    station: str | None = None

    @property
    def config(self) -> StationConfig | None:
        """The config of ``--station``; None where it is not given."""
        if self.station is None:
            return None
        from linecheck.station.config.load import load_station

        return load_station(self.station).config

    @property
    def path(self) -> str:
        """Where the log is.

        Raises
        ------
        UsageError
            Both options are given.
        FileError
            The station config cannot be read.
        """
        if self.log is not None and self.station is not None:
            raise UsageError("give --log or --station, not both")
        config = self.config
        if config is not None:
            return config.records.database
        return self.log or os.environ.get("LINECHECK_LOG") or DEFAULT_LOG

    def reader(self) -> LogReader:
        """Open the log to read from."""
        from linecheck.log import LogReader

        return LogReader(self.path)

    def writer(self) -> Log:
        """Open the log to add to; what is added is signed where the station has a key."""
        from linecheck.log import Log

        path, config = self.path, self.config
        return Log(path) if config is None else Log.of_station(config)


log_options = collected(
    (
        click.option(
            "--log",
            metavar="PATH",
            help=f"The log [default: $LINECHECK_LOG, or {DEFAULT_LOG}].",
        ),
        click.option("--station", metavar="FILE", help="Use the log of this station config."),
    ),
    "place",
    LogPlace,
)


def log_reader(config: StationConfig) -> LogReader | None:
    """Open a station's log to read from; None where nothing was recorded yet."""
    from linecheck.log import LogReader
    from linecheck.log.connect import database_path

    path = database_path(config.records.database)
    return LogReader(path) if path.exists() else None


def _signed_by(public_keys: tuple[str, ...], signed_from: int) -> Any:  # noqa: ANN401 - imported where used
    if not public_keys:
        if signed_from > 1:
            raise UsageError("--signed-from goes with --public-key")
        return None
    from linecheck.log.station_key import SignedBy

    return SignedBy.files(public_keys, signed_from)


#: Whose signatures records must have; a command gets them as ``signed_by``.
public_key_options = collected(
    (
        click.option(
            "--public-key",
            "public_keys",
            metavar="FILE",
            multiple=True,
            help="Require every record to be signed by this station key; repeatable.",
        ),
        click.option(
            "--signed-from",
            type=click.IntRange(1),
            default=1,
            help="With --public-key: first signed record.",
        ),
    ),
    "signed_by",
    _signed_by,
)


def limits_by_model(paths: Sequence[str]) -> tuple[LimitFile, ...]:
    """Load limit files, one for each model."""
    from linecheck.limits.loading.load import load_limits

    by_model: dict[str, LimitFile] = {}
    for entry in map(load_limits, paths):
        other = by_model.setdefault(entry.model, entry)
        if other is not entry:
            raise UsageError(
                f"--limits: {other.path} and {entry.path} are both of model {entry.model}; give one"
            )
    return tuple(by_model.values())


def printable(option: str, text: str | None, longest: int = 100) -> str | None:
    """Return the text of an option, or refuse one that is empty, too long, or cannot be printed."""
    if text is not None and not (text.isprintable() and text.strip() and len(text) <= longest):
        raise UsageError(f"{option} must be 1 to {longest} printable characters, got {text[:longest]!a}")
    return text
