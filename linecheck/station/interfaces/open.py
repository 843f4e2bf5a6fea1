"""From a station config to the interface that it names."""

from __future__ import annotations

from collections.abc import Sequence

from linecheck.errors import UsageError
from linecheck.station.config.station import StationConfig
from linecheck.station.interfaces.interface import Interface

__all__ = ["open_interface"]


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
