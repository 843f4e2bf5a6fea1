"""Sound devices through PortAudio, worked from a process of their own."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

from linecheck.station.interfaces.description import ConnectedUnit, InterfaceDescription

if TYPE_CHECKING:
    from linecheck.station.config.station import StationConfig
    from linecheck.station.interfaces.interface import Interface
    from linecheck.station.interfaces.sound.launch import Launched

__all__ = ["INTERFACE"]


def _open(station: StationConfig, unit: ConnectedUnit) -> Interface:
    from linecheck.station.interfaces.sound.interface import SoundInterface

    return SoundInterface(station)


def _open_loop(station: StationConfig, faults: Sequence[str], opening: int) -> Interface:
    from linecheck.station.interfaces.sound.interface import SoundInterface

    return SoundInterface(station)


@contextmanager
def _begin(station: StationConfig, launched: Launched | None) -> Iterator[Interface]:
    """Begin to open the devices, in a process that may have been started already; free them at the end.

    If the devices fail, that is said when the interface is entered.
    """
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


INTERFACE = InterfaceDescription(
    name="sound",
    open=_open,
    open_loop=_open_loop,
    begin=_begin,
    needs={"playback": ("device", "channels", "rates_hz"), "capture": ("device", "rate_hz", "channels")},
    own_process=True,
)
