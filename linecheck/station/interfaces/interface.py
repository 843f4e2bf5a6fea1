"""What every interface (sound, recording, simulated) offers the runner, and what it says of itself beforehand."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Self

from linecheck.errors import StationError

if TYPE_CHECKING:
    from linecheck.checks.base import Capture, Stimulus
    from linecheck.station.config.station import StationConfig


class NotCaptured(StationError):
    """There is no capture of this check; those of others may be there."""


class Interface(ABC):
    """Plays a stimulus into the unit and captures what comes back.

    An interface is a context manager; leaving it stops all sound and frees the hardware, whatever happened. What it
    need not do (open hardware, set the unit, hear what comes next) it inherits.
    """

    @property
    @abstractmethod
    def identity(self) -> Mapping[str, str]:
        """What the record says of the interface: kind, device names, driver, format."""

    @abstractmethod
    def play(self, check: str, stimulus: Stimulus) -> Capture:
        """Play one check's stimulus and return its capture, which begins before and ends after it.

        Returns as soon as the capture is complete. ``check`` names the check (an interface that plays back recordings
        looks it up). The channels of stimulus and capture are in the limit file's order.

        Raises
        ------
        StationError
            The hardware failed, in words that an operator understands. What the driver merely reported (an overrun)
            is an event of the capture instead.
        KeyboardInterrupt
            The operator stopped it; all sound has stopped.
        """

    def __enter__(self) -> Self:
        """Open the hardware, where there is any."""
        return self

    def __exit__(self, *_: object) -> None:  # noqa: B027 - some have none
        """Stop all sound and free the hardware."""

    def announce(self, stimulus: Stimulus | None) -> None:  # noqa: B027 - most have no use for it
        """Hear what is played after the stimulus of the next :meth:`play`; None for nothing.

        So an interface can begin with that one while the capture before is on its way. Each capture still holds one
        stimulus, begins before it and ends after it.
        """

    def unit_changed(self) -> None:  # noqa: B027 - most have no use for it
        """Hear that the unit was set otherwise between two stimuli: what was learnt of its delay no longer holds."""

    def can_set(self, setting: str, value: str) -> bool:
        """Return whether the interface can make a setting of the unit itself."""
        return False

    def set(self, setting: str, value: str) -> None:
        """Make a setting of the unit.

        Raises
        ------
        StationError
            It could not be made.
        """
        raise StationError(f"the interface cannot set {setting} to {value}")


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
