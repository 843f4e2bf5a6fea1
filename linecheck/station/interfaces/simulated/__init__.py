"""Simulated units and loops with faults to choose, for demonstration and tests; nothing real is measured by them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from linecheck.station.interfaces.interface import ConnectedUnit, InterfaceDescription
from linecheck.station.interfaces.simulated.unit import SETTABLE

if TYPE_CHECKING:
    from linecheck.station.config.station import StationConfig
    from linecheck.station.interfaces.interface import Interface

__all__ = ["INTERFACE"]


def _open(station: StationConfig, unit: ConnectedUnit) -> Interface:
    from linecheck.station.interfaces.simulated.interface import SimulatedInterface

    volts = station.capture.full_scale_volts
    return SimulatedInterface(
        station.simulated,
        capture_rate_hz=station.capture.rate_hz,
        mains_hz=float(station.mains_hz),
        faults=unit.faults,
        serial=unit.serial,
        attempt=unit.attempt,
        **({} if volts is None else {"full_scale_volts": volts}),
    )


def _open_loop(station: StationConfig, faults: Sequence[str], opening: int) -> Interface:
    from linecheck.station.interfaces.simulated.loop import SimulatedLoop

    return SimulatedLoop(station, faults=faults, seed=station.simulated.seed, opening=opening)


INTERFACE = InterfaceDescription(
    name="simulated",
    open=_open,
    open_loop=_open_loop,
    table="simulated",
    settings=frozenset(SETTABLE),
    has_faults=True,
    is_real=False,
    volts_uncertainty_percent=0.0,
)
