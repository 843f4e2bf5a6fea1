"""From a station config to the interface that it names."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from linecheck.errors import UsageError
from linecheck.station.interfaces import interface_of
from linecheck.station.interfaces.description import ConnectedUnit

if TYPE_CHECKING:
    from linecheck.station.config.station import StationConfig
    from linecheck.station.interfaces.interface import Interface

__all__ = ["open_interface", "open_loop"]


def open_interface(
    station: StationConfig, *, serial: str, attempt: int = 1, faults: Sequence[str] = ()
) -> Interface:
    """Return the station's interface, not yet opened.

    Parameters
    ----------
    station : StationConfig
    serial : str
        The unit's serial number; simulated units differ by it.
    attempt : int
        Which run of the unit this is; simulated noise differs by it.
    faults : sequence of str
        What is wrong with a simulated unit.

    Raises
    ------
    UsageError
        A fault is unknown, or the interface simulates none.
    """
    _refuse_faults(station, faults, "tests real units")
    return interface_of(station).open(station, ConnectedUnit(serial, attempt, faults))


def open_loop(station: StationConfig, *, opening: int = 1, faults: Sequence[str] = ()) -> Interface:
    """Return what plays into the station's loop, not yet opened; ``opening`` says which opening it is.

    Raises
    ------
    UsageError
        A fault is unknown, or the interface simulates none.
    """
    _refuse_faults(station, faults, "has a real loop")
    return interface_of(station).open_loop(station, faults, opening)


def _refuse_faults(station: StationConfig, faults: Sequence[str], why: str) -> None:
    from linecheck.station.interfaces import interfaces

    if faults and not interface_of(station).has_faults:
        able = " and ".join(name for name, entry in interfaces().items() if entry.has_faults)
        raise UsageError(f"station {station.station} {why}: faults are for the {able} interface only")
