"""Which archive a command is about, and how sizes are told."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, ParamSpec, TypeVar

import click

from linecheck.errors import UsageError

if TYPE_CHECKING:
    from linecheck.log import LogReader
    from linecheck.log.archive import Archive
    from linecheck.station.config.archive import ArchiveConfig
    from linecheck.station.config.station import StationConfig

__all__ = ["Meant", "counted", "meant_archive", "size_text", "station_option"]

Parameters = ParamSpec("Parameters")
Result = TypeVar("Result")


@dataclass(frozen=True)
class Meant:
    """A station's archive, and what its config says of it."""

    station: StationConfig
    policy: ArchiveConfig
    archive: Archive

    def log(self, stack: ExitStack) -> LogReader | None:
        """Open the station's log, to read from; None where nothing was recorded yet."""
        from linecheck.log import LogReader
        from linecheck.log.connect import database_path

        path = database_path(self.station.records.database)
        return stack.enter_context(LogReader(path)) if path.exists() else None


def station_option(function: Callable[Parameters, Result]) -> Callable[Parameters, Result]:
    """Add the option that says whose archive is meant."""
    return click.option(
        "--station",
        "station_path",
        required=True,
        metavar="FILE",
        help="Station config (TOML), whose [archive] is meant.",
    )(function)


def meant_archive(station_path: str) -> Meant:
    """Return the archive of a station.

    Raises
    ------
    FileError
        The station config cannot be read.
    UsageError
        The station has none.
    """
    from linecheck.log.archive import Archive
    from linecheck.station.config.load import load_station

    config = load_station(station_path).config
    if config.archive is None:
        raise UsageError(f"station {config.station} keeps no archive: {station_path} has no [archive]")
    return Meant(config, config.archive, Archive(Path(config.archive.folder)))


def size_text(size_bytes: float) -> str:
    """Return a size as people read it, in the units that disks are sold in."""
    for unit, factor in (("TB", 1e12), ("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if abs(size_bytes) >= 0.9995 * factor:
            return f"{size_bytes / factor:.3g} {unit}"
    return f"{size_bytes:.0f} B"


def counted(number: int, noun: str) -> str:
    """Return a number with its noun."""
    return f"{number} {noun}{'' if number == 1 else 's'}"
