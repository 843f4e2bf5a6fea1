"""Ways to a unit under test: sound devices, a simulated unit. One package or file each.

Each that defines ``INTERFACE`` adds an interface that a station config can name; nothing else has to be edited.
"""

from __future__ import annotations

import sys
from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from linecheck.station.interfaces.description import InterfaceDescription

__all__ = ["interfaces"]


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
