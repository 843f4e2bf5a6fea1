"""From a station config to the interface that it names."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

from linecheck.errors import UsageError
from linecheck.station.config.station import StationConfig
from linecheck.station.interfaces.interface import Interface
from linecheck.station.interfaces.sound.launch import Launched

if TYPE_CHECKING:
    from linecheck.station.interfaces.sound.interface import SoundInterface

__all__ = ["open_interface", "prepared_sound"]


@contextmanager
def prepared_sound(
    station: StationConfig, launched: Launched | None = None
) -> Iterator[SoundInterface | None]:
    """Begin to open a station's sound devices while the rest is made ready; free them at the end.

    ``launched`` is a process that has been started for that already. Gives the interface that will use them; None where
    the station has no sound interface. If the devices fail, that is said when the interface is entered.
    """
    if station.interface != "sound":
        yield None
        return
    from linecheck.station.interfaces.sound.interface import SoundInterface
    from linecheck.station.interfaces.sound.process import SoundProcess

    waiting = [] if launched is None else [launched]
    interface = SoundInterface(
        station, lambda settings: SoundProcess(settings, waiting.pop() if waiting else None)
    )
    try:
        interface.prepare()
        yield interface
    finally:
        interface.abandon()


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
        A fault is unknown, or the interface is not simulated.
    """
    if station.interface == "sound":
        if faults:
            raise UsageError(
                f"station {station.station} tests real units: faults are for the simulated interface only"
            )
        from linecheck.station.interfaces.sound.interface import SoundInterface

        return SoundInterface(station)
    from linecheck.station.interfaces.simulated.interface import SimulatedInterface

    volts = (
        {}
        if station.capture.full_scale_volts is None
        else {"full_scale_volts": station.capture.full_scale_volts}
    )
    return SimulatedInterface(
        station.simulated,
        capture_rate_hz=station.capture.rate_hz,
        mains_hz=float(station.mains_hz),
        faults=faults,
        serial=serial,
        attempt=attempt,
        **volts,
    )
