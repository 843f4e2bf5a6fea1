"""The sound interface: plays through PortAudio, captures what comes back, and says when not to trust it.

What makes a capture untrustworthy becomes an event of it, with its time since the capture's first frame:

=================  ======================================================================================
``overrun``        the driver lost captured frames, or threw away some that were to be played
``underrun``       the driver filled in silence, in the playback or in the capture
``gap``            frames of the capture's array were never delivered
``rate_mismatch``  frames came faster or slower than the rate says, by the computer's clock
=================  ======================================================================================

Streams stay open from one check to the next and play digital silence in between; what a driver reports there,
or of the priming of an output at its start, touches no capture and is no event. A device that stops is a
``StationError``.
"""

from __future__ import annotations

import gc
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from types import MappingProxyType, ModuleType, TracebackType
from typing import Self

import numpy as np

from linecheck.checks.base import Capture, Stimulus
from linecheck.errors import StationError
from linecheck.station.config import CaptureConfig, PlaybackConfig, StationConfig
from linecheck.station.sound_callbacks import (
    SENTINEL,
    BlockLog,
    Player,
    PlayTake,
    Recorder,
    RecordTake,
    Samples,
)
from linecheck.station.sound_devices import (
    Direction,
    SoundDevice,
    choose_device,
    list_devices,
    load_portaudio,
)
from linecheck.station.sound_driver import sound_driver
from linecheck.station.sound_events import take_events
from linecheck.station.sound_stream import SoundSide, SoundStreams

__all__ = ["SoundInterface"]

#: Latency asked of a driver where the config asks for none: longer than a hiccup, short against a check.
LATENCY_SECONDS = 0.1
#: Digital silence before the stimulus, once the capture runs.
LEAD_SECONDS = 0.02
#: No block for so long means that the device has stopped.
STALL_SECONDS = 3.0
#: How long PortAudio may take to list devices, to open, and to close.
OPEN_SECONDS = 10.0
CLOSE_SECONDS = 3.0
#: Room in the capture's array for a playback that starts late or runs slow.
SPARE_SECONDS = 3.0
POLL_SECONDS = 0.005
#: Blocks during which a stream that has just started, or had a hiccup, may still be filling its buffers.
SETTLING_BLOCKS = 6

CURE = "Is it still connected and switched on, and does its driver or sound server run?"


class SoundInterface:
    """Plays and captures on sound devices.

    Parameters
    ----------
    config : StationConfig
        A station config whose interface is ``sound``.
    backend : module or None
        What to use in place of sounddevice.

    Raises
    ------
    StationError
        The config names no device or channels.
    """

    def __init__(self, config: StationConfig, backend: ModuleType | None = None) -> None:
        playback, capture = config.playback, config.capture
        if None in (playback.device, playback.channels, capture.device, capture.channels):
            raise StationError("the sound interface needs device and channels in [playback] and [capture]")
        self._playback, self._capture = playback, capture
        self._mains_hz = config.mains_hz
        self._latency_seconds = playback.latency_seconds or LATENCY_SECONDS
        self._backend = backend
        self._player = Player()
        self._recorder = Recorder(capture.rate_hz, self._player)
        self._streams: SoundStreams | None = None
        self._found: dict[Direction, SoundDevice] = {}
        self._driver = "not loaded"
        self._layout = "none"

    @property
    def identity(self) -> Mapping[str, str]:
        """What the record says of the interface; devices as found, once it is open."""
        return MappingProxyType(
            {
                "kind": "sound",
                "playback": _in_words(self._playback, self._found.get("playback")),
                "capture": _in_words(self._capture, self._found.get("capture")),
                "capture_rate": f"{self._capture.rate_hz} Hz",
                "streams": self._layout,
                "driver": self._driver,
            }
        )

    def __enter__(self) -> Self:
        """Find the devices and open them.

        Raises
        ------
        StationError
            PortAudio is missing, a device is not there, not the only one of its name, or refuses.
        """
        try:
            self._connect()
        except BaseException:
            self._disconnect()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        """Stop all sound and free the devices."""
        self._disconnect()

    def play(self, check: str, stimulus: Stimulus) -> Capture:
        """Play one stimulus and return its capture.

        Raises
        ------
        StationError
            A device refuses, stops, or does not do what the stimulus needs. The next call tries anew.
        KeyboardInterrupt
            All sound has stopped.
        """
        samples = self._device_samples(stimulus)
        try:
            streams = self._streams or self._connect()
            with _no_garbage_collection():
                self._open_for(streams, stimulus.rate_hz)
                self._watch(streams, self._settled, STALL_SECONDS + OPEN_SECONDS)
                record, play = self._takes(samples, stimulus.rate_hz, streams)
                self._recorder.take, self._player.take = record, play
                longest = 2.0 * len(record.samples) / self._capture.rate_hz
                self._watch(streams, lambda: record.done, longest)
            return self._finish(record, play)
        except BaseException:
            self._player.take = None
            self._disconnect()
            raise
        finally:
            self._recorder.take = self._player.take = None

    def _settled(self) -> bool:
        """Say whether blocks have come both ways without a flag for a while."""
        return min(self._player.steady_blocks, self._recorder.steady_blocks) > SETTLING_BLOCKS

    def _connect(self) -> SoundStreams:
        streams = sound_driver().call(self._find_devices, OPEN_SECONDS, "listing the devices")
        if len(self._playback.rates_hz) == 1:
            self._open_for(streams, self._playback.rates_hz[0])
        return streams

    def _find_devices(self) -> SoundStreams:
        backend = self._backend or load_portaudio(relist=not sound_driver().holders)
        devices = list_devices(backend)
        sides = (self._side("playback", devices), self._side("capture", devices))
        self._streams = SoundStreams(backend, *sides, self._player, self._recorder)
        self._driver = str(backend.get_portaudio_version()[1])
        return self._streams

    def _side(self, direction: Direction, devices: tuple[SoundDevice, ...]) -> SoundSide:
        table: PlaybackConfig | CaptureConfig = self._playback
        if direction == "capture":
            table = self._capture
        width = max(table.channels or ())
        device = choose_device(devices, table.device or "", direction, width)
        self._found[direction] = device
        return SoundSide(device, width, table.sample_format, self._latency_seconds)

    def _open_for(self, streams: SoundStreams, rate_hz: int) -> None:
        sound_driver().call(lambda: streams.open_for(rate_hz), OPEN_SECONDS, "opening the device")
        self._layout = streams.layout

    def _disconnect(self) -> None:
        """Let the devices go; one that does not answer is left behind, as what was captured is still true."""
        streams, self._streams = self._streams, None
        if streams is not None:
            with suppress(StationError):
                sound_driver().call(streams.close, CLOSE_SECONDS, "closing the device")

    def _device_samples(self, stimulus: Stimulus) -> Samples:
        """Return the stimulus as the device takes it: all its channels, its format, silence before."""
        rates, columns = self._playback.rates_hz, [channel - 1 for channel in self._playback.channels or ()]
        if stimulus.rate_hz not in rates:
            known = ", ".join(str(rate) for rate in rates)
            raise StationError(f"the stimulus has {stimulus.rate_hz} Hz; [playback] rates_hz lists {known}")
        if stimulus.channels != len(columns):
            raise StationError(
                f"the stimulus has {stimulus.channels} channels; [playback] channels lists {len(columns)}"
            )
        lead = int(LEAD_SECONDS * stimulus.rate_hz)
        shape = (lead + len(stimulus.samples), max(columns) + 1)
        samples: Samples = np.zeros(shape, dtype=self._playback.sample_format)
        samples[lead:, columns] = _in_format(stimulus, self._playback.sample_format)
        return samples

    def _takes(self, samples: Samples, rate_hz: int, streams: SoundStreams) -> tuple[RecordTake, PlayTake]:
        """Return a capture and a playback that are ready to go; every array exists already."""
        capture_rate = self._capture.rate_hz
        tail = self._capture.tail_seconds
        frames = int((len(samples) / rate_hz + tail + SPARE_SECONDS) * capture_rate)
        shape = (frames, max(self._capture.channels or ()))
        sample_format = self._capture.sample_format
        record = RecordTake(
            samples=np.full(shape, SENTINEL[sample_format], dtype=sample_format),
            tail_frames=int(np.ceil(tail * capture_rate)),
            log=BlockLog.for_frames(frames),
        )
        play = PlayTake(
            samples=samples,
            rate_hz=rate_hz,
            record=record,
            log=BlockLog.for_frames(len(samples)),
            drain_seconds=streams.output_latency_seconds,
        )
        return record, play

    def _watch(self, streams: SoundStreams, done: Callable[[], bool], longest_seconds: float) -> None:
        """Wait until ``done``, and no longer than blocks keep coming."""
        watchdog = Watchdog(self._player, self._recorder, longest_seconds)
        while not done():
            watchdog.look(time.monotonic(), ended=streams.ended)
            time.sleep(POLL_SECONDS)

    def _finish(self, record: RecordTake, play: PlayTake) -> Capture:
        columns = [channel - 1 for channel in self._capture.channels or ()]
        if not play.done:
            raise StationError(
                f"the playback device took {play.position / play.rate_hz:.2f} s of audio "
                f"in {record.position / self._capture.rate_hz:.2f} s: it does not run at {play.rate_hz} Hz"
            )
        return Capture(
            samples=np.ascontiguousarray(record.samples[: record.position, columns]),
            rate_hz=self._capture.rate_hz,
            full_scale_volts=self._capture.full_scale_volts,
            bits=32 if self._capture.sample_format == "int32" else None,
            mains_hz=self._mains_hz,
            events=take_events(record, play, self._capture.rate_hz),
        )


class Watchdog:
    """Raises when blocks stop coming.

    Parameters
    ----------
    player, recorder
        Whose ``blocks`` are looked at.
    longest_seconds : float
        How long it may all take, however many blocks come.
    """

    def __init__(self, player: Player, recorder: Recorder, longest_seconds: float) -> None:
        self._sides = (("playback", player), ("capture", recorder))
        self._longest_seconds = longest_seconds
        self._begun: float | None = None
        self._seen: dict[str, tuple[int, float]] = {}

    def look(self, now: float, *, ended: bool) -> None:
        """Look at the counters at a time; ``ended`` says that the driver has ended a stream."""
        if ended:
            raise StationError(
                f"the sound device stopped delivering audio: its driver ended the stream. {CURE}"
            )
        self._begun = now if self._begun is None else self._begun
        for name, side in self._sides:
            blocks, since = self._seen.get(name, (-1, now))
            if side.blocks != blocks:
                self._seen[name] = (side.blocks, now)
            elif now - since > STALL_SECONDS:
                raise StationError(
                    f"the {name} device stopped delivering audio for {now - since:.1f} s. {CURE}"
                )
        if now - self._begun > self._longest_seconds:
            raise StationError(
                f"the sound device is too slow: not ready after {now - self._begun:.1f} s. {CURE}"
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


@contextmanager
def _no_garbage_collection() -> Iterator[None]:
    """Keep Python's collector, which stops every thread, from running while audio plays."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def _in_words(table: PlaybackConfig | CaptureConfig, found: SoundDevice | None) -> str:
    channels = " ".join(str(channel) for channel in table.channels or ())
    way = "" if found is None or found.direct else ", by way of a plug-in or sound server"
    return f"{found or table.device}, channels {channels}, {table.sample_format}{way}"
