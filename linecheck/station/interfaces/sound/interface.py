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
from typing import Self

import numpy as np
from numpy.typing import NDArray

from linecheck.checks.base import Capture, Stimulus, StreamEvent
from linecheck.errors import StationError
from linecheck.station.config.station import CaptureConfig, PlaybackConfig, StationConfig
from linecheck.station.interfaces.interface import Interface
from linecheck.station.interfaces.sound.callbacks import Blocks, Flag, Samples, undelivered_frames
from linecheck.station.interfaces.sound.devices import SoundDevice
from linecheck.station.interfaces.sound.engine import (
    FoundDevices,
    SideSettings,
    SoundEngine,
    SoundSettings,
    Take,
)
from linecheck.station.interfaces.sound.process import SoundProcess

#: What plays: a process of its own, or in its tests the engine itself. Whatever breaks off one of its calls also stops
#: all sound.
Engine = SoundEngine | SoundProcess

#: Latency asked of a driver where the config asks for none: longer than a hiccup, short against a check.
LATENCY_SECONDS = 0.1


class SoundInterface(Interface):
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
        return identity

    def __enter__(self) -> Self:
        """Find the devices and open them.

        Raises
        ------
        StationError
            PortAudio is missing, a device is not there, not the only one of its name, or refuses.
        """
        self._open()
        return self

    def __exit__(self, *_: object) -> None:
        """Stop all sound and free the devices."""
        self._close()

    def announce(self, stimulus: Stimulus | None) -> None:
        """Hear what comes after the next one that is played."""
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


#: How many flags of one kind are listed one by one.
LISTED = 20

#: How far the pace of blocks may be from the rate by the computer's clock: 2 %, far above any crystal and far
#: below a mix-up of 44.1 and 48 kHz (8.8 %), on top of the unsteadiness of the blocks' arrival.
PACE_TOLERANCE = 0.02
ARRIVAL_SECONDS = 0.04

_FLAGS = {
    Flag.INPUT_UNDERFLOW: ("underrun", "capture: the driver filled in silence for want of audio"),
    Flag.INPUT_OVERFLOW: ("overrun", "capture: the driver lost audio"),
    Flag.OUTPUT_UNDERFLOW: ("underrun", "playback: the driver filled in silence for want of audio"),
    Flag.OUTPUT_OVERFLOW: ("overrun", "playback: the driver threw audio away"),
}


def take_events(take: Take, rate_hz: int, playback_rate_hz: int) -> tuple[StreamEvent, ...]:
    """Return everything that makes a take untrustworthy, in the order of time.

    Parameters
    ----------
    take : Take
    rate_hz : int
        Sampling rate of the capture.
    playback_rate_hz : int
        Sampling rate of the stimulus.
    """
    capture, playback = take.capture_blocks, take.playback_blocks
    inputs, outputs = int(Flag.of_input()), ~int(Flag.of_input())
    events = [
        *flag_events(capture, inputs, (np.cumsum(capture.frames) - capture.frames) / rate_hz),
        *flag_events(playback, outputs, playback.times - _start(capture, rate_hz)),
        *rate_events("capture", capture, rate_hz),
        *rate_events("playback", playback, playback_rate_hz),
    ]
    undelivered, captured_frames = undelivered_frames(take.samples), len(take.samples)
    if undelivered:
        message = f"capture: {undelivered} of {captured_frames} frames were never delivered"
        events.append(StreamEvent("gap", captured_frames / rate_hz, message))
    if take.moved_seconds:
        # It moves where audio is lost or made up unseen.
        message = (
            f"the delay from playback to capture moved by {1e3 * take.moved_seconds:+.0f} ms since the check before: "
            "audio was lost or made up between the two"
        )
        events.append(StreamEvent("delay_moved", 0.0, message))
    return tuple(sorted(events, key=lambda event: event.seconds))


def flag_events(blocks: Blocks, which: int, seconds: NDArray[np.float64]) -> list[StreamEvent]:
    """Return the driver's flags; the first :data:`LISTED` of a kind each, the rest as one.

    Parameters
    ----------
    blocks : Blocks
    which : int
        The flags that are looked at.
    seconds : float64 array, shape (blocks,)
        When each block came: where it begins in the capture, or by the computer's clock for the playback's.
    """
    events = []
    for flag, (code, message) in _FLAGS.items():
        times = seconds[(blocks.flags & which & int(flag)) != 0]
        events += [StreamEvent(code, float(max(when, 0.0)), message) for when in times[:LISTED]]
        if len(times) > LISTED:
            more = f"{message}, {len(times) - LISTED} more times from here on"
            events.append(StreamEvent(code, float(times[LISTED]), more))
    return events


def rate_events(side: str, blocks: Blocks, rate_hz: int) -> list[StreamEvent]:
    """Compare the pace of the blocks, a straight line through frames over time, with the rate.

    The line bears with a block that came late and was caught up with, which the driver's buffer is there for.
    """
    if len(blocks.times) < 4:
        return []
    times = blocks.times - np.mean(blocks.times)
    delivered = np.cumsum(blocks.frames) / rate_hz
    elapsed = float(blocks.times[-1] - blocks.times[0])
    spread = float(np.sum(times**2))
    pace = float(np.sum(times * delivered)) / spread if spread > 0.0 else np.inf
    longest = float(np.max(blocks.frames)) / rate_hz
    if abs(pace - 1.0) * elapsed <= PACE_TOLERANCE * elapsed + ARRIVAL_SECONDS + longest:
        return []
    message = f"{side}: audio at {rate_hz} Hz ran at {pace:.3f} times its rate"
    return [StreamEvent("rate_mismatch", elapsed, message)]


def _start(capture: Blocks, rate_hz: int) -> float:
    """Return when the capture's first frame came."""
    return float(capture.times[0]) - float(capture.frames[0]) / rate_hz if len(capture.times) else 0.0
