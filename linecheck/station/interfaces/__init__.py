"""Ways to a unit under test: sound devices, a simulated unit. One package or file each.

Each that defines ``INTERFACE`` adds an interface that a station config can name; nothing else has to be edited.
"""

from __future__ import annotations

import sys
from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from linecheck.station.config.station import StationConfig
    from linecheck.station.interfaces.interface import Interface, InterfaceDescription

__all__ = ["interface_of", "interfaces", "open_interface", "open_loop", "unknown_interface"]


@cache
def interfaces() -> Mapping[str, InterfaceDescription]:
    """Return what every interface says of itself, by its name, in alphabetical order.

    Raises
    ------
    ContractError
        One is no description, or has the name of another.
    """
    from linecheck.registry import members
    from linecheck.station.interfaces.interface import InterfaceDescription

    return members(sys.modules[__name__], "INTERFACE", (InterfaceDescription,), "interface")


def interface_of(station: StationConfig) -> InterfaceDescription:
    """Return what a station's interface says of itself.

    Raises
    ------
    UsageError
        There is no such interface: the config was made in code, and not by loading a file.
    """
    from linecheck.errors import UsageError

    found = interfaces().get(station.interface)
    if found is None:
        raise UsageError(unknown_interface(station.interface))
    return found


def unknown_interface(name: str) -> str:
    """Return what is said of a name that no interface has."""
    from linecheck.files.faults import did_you_mean
    from linecheck.files.yaml import shown

    return f"there is no interface {shown(name)}; {did_you_mean(name, interfaces(), 'the interfaces are')}"


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
    from linecheck.station.interfaces.interface import ConnectedUnit

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
    from linecheck.errors import UsageError

    if faults and not interface_of(station).has_faults:
        able = " and ".join(name for name, entry in interfaces().items() if entry.has_faults)
        raise UsageError(f"station {station.station} {why}: faults are for the {able} interface only")
