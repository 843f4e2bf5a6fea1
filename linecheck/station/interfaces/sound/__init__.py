"""Sound devices through PortAudio, worked from a process of their own."""

from __future__ import annotations

from typing import TYPE_CHECKING

from linecheck.station.interfaces.interface import InterfaceDescription

if TYPE_CHECKING:
    from linecheck.station.config.station import StationConfig
    from linecheck.station.interfaces.interface import Interface

__all__ = ["INTERFACE"]


def _open(station: StationConfig, *_: object) -> Interface:
    from linecheck.station.interfaces.sound.interface import SoundInterface

    return SoundInterface(station)


INTERFACE = InterfaceDescription(
    name="sound",
    open=_open,
    open_loop=_open,
    needs={"playback": ("device", "channels", "rates_hz"), "capture": ("device", "rate_hz", "channels")},
    own_process=True,
)
