"""Ways to a unit under test: sound devices, a simulated unit. One package or file each.

Each that defines ``INTERFACE`` adds an interface that a station config can name; nothing else has to be edited.
"""

from __future__ import annotations

import sys
from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from linecheck.station.config.station import StationConfig
    from linecheck.station.interfaces.description import InterfaceDescription

__all__ = ["interface_of", "interfaces", "unknown_interface"]


@cache
def interfaces() -> Mapping[str, InterfaceDescription]:
    """Return what every interface says of itself, by its name, in alphabetical order.

    Raises
    ------
    ContractError
        One is no description, or has the name of another.
    """
    from linecheck.registry import members
    from linecheck.station.interfaces.description import InterfaceDescription

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
