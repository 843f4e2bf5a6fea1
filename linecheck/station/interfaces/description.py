"""What an interface says of itself, so that nothing else has to know its name."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from linecheck.station.config.station import StationConfig
    from linecheck.station.interfaces.interface import Interface

__all__ = ["ConnectedUnit", "InterfaceDescription"]


@dataclass(frozen=True)
class ConnectedUnit:
    """The unit that an interface is opened for.

    Attributes
    ----------
    serial : str
        Its serial number; simulated units differ by it.
    attempt : int
        Which run of the unit this is; simulated noise differs by it.
    faults : sequence of str
        What is wrong with a simulated unit.
    """

    serial: str
    attempt: int = 1
    faults: Sequence[str] = ()


@dataclass(frozen=True)
class InterfaceDescription:
    """An interface, without anything slow being imported for it.

    Attributes
    ----------
    name : str
        What a station config calls it.
    open : callable
        Returns it, not yet opened, from a config and the unit; raises :class:`~linecheck.errors.UsageError` where a
        fault is unknown.
    open_loop : callable
        The same for a self-check of the station's loop, from a config, the loop's faults and which opening it is.
    needs : mapping of str to tuple of str
        The keys of a config that it cannot do without, by table.
    table : str
        The table of a config that is for it alone; empty where it has none.
    settings : frozenset of str
        The settings of the unit that it makes itself.
    own_process : bool
        Whether its audio is due in time, so that captures are analysed in another process.
    has_faults : bool
        Whether faults of the unit can be simulated.
    is_real : bool
        Whether it plays into real hardware, where levels can do harm and a loop has to be patched.
    volts_uncertainty_percent : float or None
        How well its volts are known where a config does not say (``calibration.uncertainty_percent``); None for what
        only a calibration can tell.
    """

    name: str
    open: Callable[[StationConfig, ConnectedUnit], Interface]
    open_loop: Callable[[StationConfig, Sequence[str], int], Interface]
    needs: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    table: str = ""
    settings: frozenset[str] = frozenset()
    own_process: bool = False
    has_faults: bool = False
    is_real: bool = True
    volts_uncertainty_percent: float | None = None
