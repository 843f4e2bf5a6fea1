"""Choosing sound devices: by name, never by number or default, and refused where a name fits two.

A name is the whole name that PortAudio gives, with or without ``HOST API: `` before it. ALSA adds the card's
place, ``(hw:1,0)``, which may change when a card is plugged in elsewhere; it may be left out.
"""

from __future__ import annotations

import importlib
import os
import re
from collections.abc import Iterable
from dataclasses import dataclass
from types import ModuleType
from typing import Any, Literal

from linecheck.errors import StationError

Direction = Literal["playback", "capture"]

_PLACE = re.compile(r" \(hw:\d+,\d+\)$")

#: ALSA names of whatever happens to be there.
_NOBODY = frozenset({"default", "sysdefault", "pulse", "pipewire", "jack", "dmix", "dsnoop"})

_UNFIT_HOST_APIS = {
    "MME": "MME converts rates and reports no lost audio",
    "Windows DirectSound": "DirectSound converts rates and reports no lost audio",
}


@dataclass(frozen=True)
class SoundDevice:
    """A device as PortAudio lists it; ``inputs`` and ``outputs`` are the most channels it offers."""

    index: int
    name: str
    host_api: str
    inputs: int
    outputs: int

    def __str__(self) -> str:
        """Return the name that no other host API's device has."""
        return f"{self.host_api}: {self.name}"

    @property
    def direct(self) -> bool:
        """Whether samples reach the hardware as they are, with no plug-in or server that may convert them."""
        return self.host_api != "ALSA" or _PLACE.search(self.name) is not None

    def offers(self, direction: Direction) -> int:
        """Return the most channels in a direction."""
        return self.outputs if direction == "playback" else self.inputs

    def is_called(self, name: str) -> bool:
        """Say whether this is a name of it."""
        short = _PLACE.sub("", self.name)
        return name in {self.name, short, f"{self.host_api}: {self.name}", f"{self.host_api}: {short}"}


def load_portaudio() -> ModuleType:
    """Import sounddevice, which loads PortAudio, which lists the devices that are there at that moment.

    Raises
    ------
    StationError
        It is not installed, or its settings would let it convert rates.
    """
    if os.environ.get("PA_ALSA_PLUGHW", "0") not in {"", "0"}:
        raise StationError("PA_ALSA_PLUGHW is set, which lets ALSA convert rates unseen: unset it")
    try:
        return importlib.import_module("sounddevice")
    except OSError as error:
        raise StationError(
            f"PortAudio is missing ({error}): install it (Debian and Ubuntu: apt-get install libportaudio2)"
        ) from error
    except ImportError as error:
        raise StationError(
            f"sounddevice is missing ({error}): install it (python -m pip install sounddevice)"
        ) from error


def list_devices(backend: ModuleType) -> tuple[SoundDevice, ...]:
    """Return every device that PortAudio lists."""
    apis = [str(api["name"]) for api in backend.query_hostapis()]
    return tuple(
        SoundDevice(
            index=index,
            name=str(entry["name"]),
            host_api=apis[entry["hostapi"]],
            inputs=int(entry["max_input_channels"]),
            outputs=int(entry["max_output_channels"]),
        )
        for index, entry in enumerate(backend.query_devices())
    )


def choose_device(
    devices: Iterable[SoundDevice], name: str, direction: Direction, channels: int
) -> SoundDevice:
    """Return the one device of that name.

    Parameters
    ----------
    devices : iterable of SoundDevice
    name : str
        See the module's text.
    direction : str
        ``playback`` or ``capture``.
    channels : int
        How many channels it must have.

    Raises
    ------
    StationError
        No device has the name, or more than one has; the message lists the candidates.
    """
    if name.rpartition(": ")[2] in _NOBODY:
        raise StationError(f"[{direction}] device {name!r} is whatever device is there: name one device")
    able = [device for device in devices if device.offers(direction) > 0]
    found = [device for device in able if device.is_called(name)]
    if not found:
        raise StationError(f"no {direction} device is called {name!r}. {_listed(able, direction)}")
    if len(found) > 1:
        raise StationError(
            f"{len(found)} {direction} devices are called {name!r}: give the whole name of one. "
            f"{_listed(found, direction)}"
        )
    chosen = found[0]
    if chosen.host_api in _UNFIT_HOST_APIS:
        raise StationError(
            f"{chosen} cannot be used: {_UNFIT_HOST_APIS[chosen.host_api]}; use its WASAPI name"
        )
    if chosen.offers(direction) < channels:
        raise StationError(
            f"{chosen} has {chosen.offers(direction)} {direction} channels, "
            f"and the station config asks for channel {channels}"
        )
    return chosen


def _listed(devices: list[SoundDevice], direction: Direction) -> str:
    if not devices:
        return f"There is no {direction} device at all: is it switched on, and is its driver running?"
    return f"Devices: {', '.join(repr(str(device)) for device in devices)}"


def exclusive_settings(backend: ModuleType, device: SoundDevice) -> Any:  # noqa: ANN401 - one type per host API
    """Return what has a host API open the device for us alone, or fail, rather than convert; or None."""
    if device.host_api == "Windows WASAPI":
        return backend.WasapiSettings(exclusive=True, explicit_sample_format=True)
    if device.host_api == "Core Audio":
        return backend.CoreAudioSettings(change_device_parameters=True, fail_if_conversion_required=True)
    return None


def opening_error(
    error: Exception, device: str, rate_hz: int, channels: int, sample_format: str
) -> StationError:
    """Say in plain words why a device could not be opened (codes: PaErrorCode in portaudio.h)."""
    code = error.args[1] if len(error.args) > 1 else None
    reasons = {
        -9998: f"it does not take {channels} channels",
        -9997: f"it does not take {rate_hz} Hz",
        -9996: f"it is gone, or does not take {rate_hz} Hz",
        -9994: f"it does not take {sample_format} samples: try the other sample_format",
        -9993: "its playback and capture do not run together",
        -9985: "it is in use by another program, or gone",
    }
    reason = reasons.get(code) if isinstance(code, int) else None
    return StationError(f"{device} cannot be opened: {reason or error}")
