"""The sound interface: plays through PortAudio, captures what comes back, and says when not to trust it.

What makes a capture untrustworthy becomes an event of it, with its time since the capture's first frame:

=================  ======================================================================================
``overrun``        the driver lost captured frames, or threw away some that were to be played
``underrun``       the driver filled in silence, in the playback or in the capture
``gap``            frames of the capture's array were never delivered
``rate_mismatch``  frames came faster or slower than the rate says, by the computer's clock
``delay_moved``    the stimulus arrived earlier or later than the one before says, with no flag to explain it
=================  ======================================================================================

Streams stay open from one check to the next and play digital silence in between; what a driver reports there,
or of the priming of an output at its start, touches no capture and is no event. A device that stops is a
``StationError``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType, TracebackType
from typing import Self

import numpy as np

from linecheck.checks.base import Capture, Stimulus
from linecheck.errors import StationError
from linecheck.station.config.station import CaptureConfig, PlaybackConfig, StationConfig
from linecheck.station.interfaces.sound.callbacks import Samples
from linecheck.station.interfaces.sound.devices import SoundDevice
from linecheck.station.interfaces.sound.engine import FoundDevices, SideSettings, SoundEngine, SoundSettings
from linecheck.station.interfaces.sound.events import take_events
from linecheck.station.interfaces.sound.process import SoundProcess

__all__ = ["SoundInterface"]

#: What plays: a process of its own, or in its tests the engine itself. Whatever breaks off one of its calls also stops
#: all sound.
Engine = SoundEngine | SoundProcess

#: Latency asked of a driver where the config asks for none: longer than a hiccup, short against a check.
LATENCY_SECONDS = 0.1


class SoundInterface:
    """Plays and captures on sound devices.

    Parameters
    ----------
    config : StationConfig
        A station config whose interface is ``sound``.
    engine : callable
        Makes what plays.

    Raises
    ------
    StationError
        The config names no device or channels.
    """

    def __init__(
        self, config: StationConfig, engine: Callable[[SoundSettings], Engine] = SoundProcess
    ) -> None:
        self._playback, self._capture = config.playback, config.capture
        self._mains_hz = config.mains_hz
        self._settings = _settings(config)
        self._make_engine = engine
        self._engine: Engine | None = None
        self._announced: Stimulus | None = None
        self._found: FoundDevices | None = None

    @property
    def identity(self) -> Mapping[str, str]:
        """What the record says of the interface; devices as found, once it is open."""
        found = self._found
        identity = {
            "kind": "sound",
            "playback": _in_words(self._playback, None if found is None else found.playback),
            "capture": _in_words(self._capture, None if found is None else found.capture),
            "capture_rate": f"{self._capture.rate_hz} Hz",
        }
        if found is not None:
            one = found.playback.index == found.capture.index
            identity["clock"] = "one device, one stream at equal rates" if one else "two independent streams"
            identity["driver"] = found.driver
        return MappingProxyType(identity)

    def __enter__(self) -> Self:
        """Find the devices and open them.

        Raises
        ------
        StationError
            PortAudio is missing, a device is not there, not the only one of its name, or refuses.
        """
        self._open()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Stop all sound and free the devices."""
        self._close()

    def announce(self, stimulus: Stimulus | None) -> None:
        """Say what comes after the next one that is played; see ``Announced``."""
        self._announced = stimulus

    def unit_changed(self) -> None:
        """Stop all sound and begin anew with the next stimulus: another setting may delay the audio otherwise."""
        self._close()

    def play(self, check: str, stimulus: Stimulus) -> Capture:
        """Play one stimulus and return its capture.

        Raises
        ------
        StationError
            A device refuses, stops, or does not do what the stimulus needs. The next call tries anew.
        KeyboardInterrupt
            All sound has stopped.
        """
        samples, following = self._device_samples(stimulus), self._following(stimulus.rate_hz)
        try:
            engine = self._engine or self._open()
            engine.ready(stimulus.rate_hz)
            take = engine.play(samples, stimulus.rate_hz, following)
        except BaseException:
            self._close()
            raise
        return Capture(
            samples=take.samples,
            rate_hz=self._capture.rate_hz,
            full_scale_volts=self._capture.full_scale_volts,
            bits=32 if self._capture.sample_format == "int32" else None,
            mains_hz=self._mains_hz,
            events=take_events(take, self._capture.rate_hz, stimulus.rate_hz),
        )

    def _following(self, rate_hz: int) -> Samples | None:
        """Return what can follow at once; None where nothing can, whatever the reason: its own turn comes."""
        stimulus, self._announced = self._announced, None
        if stimulus is None or stimulus.rate_hz != rate_hz:
            return None
        try:
            return self._device_samples(stimulus)
        except StationError:
            return None

    def _open(self) -> Engine:
        engine = self._engine = self._engine or self._make_engine(self._settings)
        try:
            self._found = engine.open()
        except BaseException:
            self._close()
            raise
        return engine

    def _close(self) -> None:
        engine, self._engine = self._engine, None
        if engine is not None:
            engine.close()

    def _device_samples(self, stimulus: Stimulus) -> Samples:
        """Return the stimulus as the device takes it, or refuse what the station does not play."""
        rates, channels = self._playback.rates_hz, self._settings.playback.channels
        if stimulus.rate_hz not in rates:
            known = ", ".join(str(rate) for rate in rates)
            raise StationError(f"the stimulus has {stimulus.rate_hz} Hz; [playback] rates_hz lists {known}")
        if stimulus.channels != len(channels):
            raise StationError(
                f"the stimulus has {stimulus.channels} channels; [playback] channels lists {len(channels)}"
            )
        return _in_format(stimulus, self._playback.sample_format)


def _settings(config: StationConfig) -> SoundSettings:
    playback, capture = config.playback, config.capture
    sides = []
    for table in (playback, capture):
        if table.device is None or table.channels is None:
            raise StationError("the sound interface needs device and channels in [playback] and [capture]")
        sides.append(SideSettings(table.device, table.channels, table.sample_format))
    return SoundSettings(
        playback=sides[0],
        capture=sides[1],
        capture_rate_hz=capture.rate_hz,
        latency_seconds=playback.latency_seconds or LATENCY_SECONDS,
        tail_seconds=capture.tail_seconds,
        playback_rate_hz=playback.rates_hz[0] if len(playback.rates_hz) == 1 else None,
    )


def _in_format(stimulus: Stimulus, sample_format: str) -> Samples:
    """Return the stimulus in the device's format, exactly."""
    if sample_format == "int32":
        return stimulus.samples
    values = stimulus.samples.astype(np.float32)
    if not np.array_equal(values.astype(np.float64), stimulus.samples):
        raise StationError(
            f"float32 samples hold 24 bits and the stimulus has {stimulus.bits}: "
            'set sample_format = "int32" in [playback], or bits = 24 in the limit file'
        )
    values *= np.float32(2.0**-31)
    return values


def _in_words(table: PlaybackConfig | CaptureConfig, found: SoundDevice | None) -> str:
    channels = " ".join(str(channel) for channel in table.channels or ())
    way = "" if found is None or found.direct else ", by way of a plug-in or sound server"
    return f"{found or table.device}, channels {channels}, {table.sample_format}{way}"
