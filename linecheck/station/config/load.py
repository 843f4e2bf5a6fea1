"""From a station's file to its config, with every fault of the file, also of what its interface needs."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from linecheck.errors import Fault
from linecheck.files.toml import TomlFile, parse_model, read_toml
from linecheck.limits.loading.header import NAME
from linecheck.station.config.station import Station, StationConfig
from linecheck.station.interfaces import interface_of, interfaces, unknown_interface
from linecheck.station.interfaces.interface import InterfaceDescription


def load_station(path: str | Path) -> Station:
    """Read a station config; what its interface states of its volts is in it where the file does not say.

    Raises
    ------
    FileError
        The file cannot be read; every fault in it comes at once as :class:`FileFaults`.
    """
    file = read_toml(path)
    config = parse_model(file, StationConfig, tuple(_interface_faults(file)))
    return Station(_with_stated_volts(config), file.path, file.sha256)


def _with_stated_volts(config: StationConfig) -> StationConfig:
    """Return a config with the uncertainty of its volts, where the file leaves that to an interface that states it."""
    calibration, stated = config.calibration, interface_of(config).volts_uncertainty_percent
    if calibration.uncertainty_percent is not None or stated is None:
        return config
    known = calibration.model_copy(update={"uncertainty_percent": stated})
    return config.model_copy(update={"calibration": known})


def _interface_faults(file: TomlFile) -> Iterator[Fault]:
    """Yield what the chosen interface needs and the file does not say, or the reverse, and what has no plain name."""
    for table, what in (("setup", "a setting"), ("assets", "an asset name")):
        for name in _as_table(file.data.get(table)):
            if re.fullmatch(NAME, name) is None:
                message = f"is not {what}: use lower-case letters, digits and '_', as in a limit file"
                yield file.fault((table, name), message)
    known, named = interfaces(), file.data.get("interface")
    if not isinstance(named, str):
        return
    chosen = known.get(named)
    if chosen is None:
        yield file.fault(("interface",), unknown_interface(named))
    else:
        yield from _missing(file, chosen)
        for name, described in known.items():
            if described.table not in ("", chosen.table) and described.table in file.data:
                yield file.fault((described.table,), f"is for the {name} interface only")


def _missing(file: TomlFile, described: InterfaceDescription) -> Iterator[Fault]:
    for table, names in described.needs.items():
        for name in names:
            if name not in _as_table(file.data.get(table)):
                yield file.fault((table, name), f"is missing: the {described.name} interface needs it")


def _as_table(value: Any) -> dict[str, Any]:  # noqa: ANN401 - whatever the file says
    return value if isinstance(value, dict) else {}
