"""What every interface (sound, recording, simulated) offers the runner."""

from __future__ import annotations

from collections.abc import Mapping
from types import TracebackType
from typing import Protocol, Self, runtime_checkable

from linecheck.checks.base import Capture, Stimulus
from linecheck.errors import StationError

__all__ = ["Announced", "HearsChanges", "Interface", "NotCaptured"]


class NotCaptured(StationError):
    """There is no capture of this check; those of others may be there."""


class Interface(Protocol):
    """Plays a stimulus into the unit and captures what comes back.

    An interface is a context manager; leaving it stops all sound and frees the hardware, whatever happened.
    """

    @property
    def identity(self) -> Mapping[str, str]:
        """What the record says of the interface: kind, device names, driver, format."""
        ...

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
        ...

    def __enter__(self) -> Self:
        """Open the hardware."""
        ...

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Stop all sound and free the hardware."""
        ...


@runtime_checkable
class Announced(Protocol):
    """What an interface may offer as well: it hears before each stimulus which one comes after it.

    So it can begin with that one while the capture before is on its way. Each capture still holds one stimulus, begins
    before it and ends after it.
    """

    def announce(self, stimulus: Stimulus | None) -> None:
        """Hear what is played after the stimulus of the next :meth:`Interface.play`; None for nothing."""
        ...


@runtime_checkable
class HearsChanges(Protocol):
    """What an interface may offer as well: it hears that the unit was set otherwise between two stimuli."""

    def unit_changed(self) -> None:
        """Hear that what was learnt of the unit's delay no longer holds."""
        ...
