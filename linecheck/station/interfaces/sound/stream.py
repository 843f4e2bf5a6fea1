"""The PortAudio streams of a station: which are opened, how, and how they end.

Playback and capture on one device at one rate share its clock and become one full-duplex stream. Everything
else is two streams, each at the pace of its own clock: a driver that pairs two clocks in one stream drops or
repeats frames unseen.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from types import ModuleType
from typing import Any

from linecheck.errors import StationError
from linecheck.station.interfaces.sound.callbacks import Player, Recorder, flags_of
from linecheck.station.interfaces.sound.devices import SoundDevice, exclusive_settings, opening_error

#: How far a stream's true rate, as the driver states it, may lie off the one asked for.
RATE_TOLERANCE = 1e-3

#: A full-duplex stream on ALSA gets blocks of a fixed length, a quarter of its latency. Left to choose,
#: PortAudio 19.6 passes single frames, and with never_drop_input a failed assertion of its ends the process
#: (both measured).
BLOCKS_PER_LATENCY = 4


@dataclass(frozen=True)
class SoundSide:
    """One direction: the device, how many of its channels are opened, and in what form."""

    device: SoundDevice
    width: int
    sample_format: str


@dataclass
class SoundStreams:
    """The open streams.

    Parameters
    ----------
    backend : module
        sounddevice.
    playback, capture : SoundSide
    latency_seconds : float
        Asked of the driver in both directions.
    player : Player
    recorder : Recorder
    openings : int
        How many streams have been opened so far.
    ended : bool
        Set by the driver when a stream ends unasked.
    """

    backend: ModuleType
    playback: SoundSide
    capture: SoundSide
    latency_seconds: float
    player: Player
    recorder: Recorder
    openings: int = 0
    ended: bool = False
    _open: dict[str, Any] = field(default_factory=dict)
    _playback_rate_hz: int | None = None
    _closing: bool = False

    @property
    def output_latency_seconds(self) -> float:
        """What the driver says lies between a block and its sounding."""
        both_ways = self._open.get("duplex")
        latency = float(both_ways.latency[1] if both_ways is not None else self._open["playback"].latency)
        return latency if math.isfinite(latency) else 0.0

    def open_for(self, rate_hz: int) -> None:
        """Open and start what a stimulus at this rate needs; what is open and fits stays open.

        Raises
        ------
        StationError
            A device refuses, or runs at another rate.
        """
        if self._open and self._playback_rate_hz == rate_hz:
            return
        duplex = self._is_duplex(rate_hz)
        if duplex or "duplex" in self._open:
            self.close()
        elif "playback" in self._open:
            self._close(["playback"])
        self._playback_rate_hz = rate_hz
        if duplex:
            self._start("duplex", rate_hz, self._duplex_stream)
            return
        if "capture" not in self._open:
            self._start("capture", self.recorder.rate_hz, self._capture_stream)
        self._start("playback", rate_hz, self._playback_stream)

    def close(self) -> None:
        """Stop all sound at once and free the devices."""
        self._close(list(self._open))

    def _close(self, names: list[str]) -> None:
        self._closing = True
        try:
            for name in names:
                # abort and close ignore the driver's errors, so that a dead device is let go all the same
                self._open[name].abort()
                self._open[name].close()
                del self._open[name]
        finally:
            self._closing = False
        self._playback_rate_hz = None

    def _is_duplex(self, rate_hz: int) -> bool:
        same_device = self.playback.device.index == self.capture.device.index
        return same_device and rate_hz == self.recorder.rate_hz

    def _start(self, name: str, rate_hz: int, make: Callable[[int], Any]) -> None:
        side = self.capture if name == "capture" else self.playback
        if name != "playback":
            self.recorder.steady_blocks = 0
        if name != "capture":
            self.player.steady_blocks = 0
        try:
            self.openings += 1
            stream = make(rate_hz)
            self._open[name] = stream
            stream.start()
        except (self.backend.PortAudioError, ValueError) as error:
            raise opening_error(error, str(side.device), rate_hz, side.width, side.sample_format) from error
        if abs(stream.samplerate / rate_hz - 1.0) > RATE_TOLERANCE:
            raise StationError(f"{side.device} runs at {stream.samplerate:g} Hz instead of {rate_hz} Hz")

    def _finished(self) -> None:
        if not self._closing:
            self.ended = True

    def _common(self, rate_hz: int) -> dict[str, Any]:
        self.ended = False
        return {
            "samplerate": rate_hz,
            "dither_off": True,
            "clip_off": True,
            "finished_callback": self._finished,
        }

    def _one_way(self, side: SoundSide) -> dict[str, Any]:
        return {
            "device": side.device.index,
            "channels": side.width,
            "dtype": side.sample_format,
            "latency": self.latency_seconds,
            "extra_settings": exclusive_settings(self.backend, side.device),
            "blocksize": 0,
        }

    def _capture_stream(self, rate_hz: int) -> Any:  # noqa: ANN401 - sounddevice has no types
        recorder = self.recorder

        def callback(block: Any, frames: int, _: Any, status: Any) -> None:  # noqa: ANN401
            recorder.empty(block, frames, flags_of(status))

        return self.backend.InputStream(
            callback=callback, **self._common(rate_hz), **self._one_way(self.capture)
        )

    def _playback_stream(self, rate_hz: int) -> Any:  # noqa: ANN401
        player = self.player

        def callback(out: Any, frames: int, times: Any, status: Any) -> None:  # noqa: ANN401
            player.fill(out, frames, times.outputBufferDacTime - times.currentTime, flags_of(status))

        return self.backend.OutputStream(
            callback=callback, **self._common(rate_hz), **self._one_way(self.playback)
        )

    def _duplex_stream(self, rate_hz: int) -> Any:  # noqa: ANN401
        player, recorder = self.player, self.recorder

        def callback(block: Any, out: Any, frames: int, times: Any, status: Any) -> None:  # noqa: ANN401
            flags = flags_of(status)
            recorder.empty(block, frames, flags)
            player.fill(out, frames, times.outputBufferDacTime - times.currentTime, flags)

        capture, playback = self._one_way(self.capture), self._one_way(self.playback)
        both = {name: (capture[name], playback[name]) for name in capture if name != "blocksize"}
        fixed = self.playback.device.host_api == "ALSA"
        return self.backend.Stream(
            callback=callback,
            blocksize=int(rate_hz * self.latency_seconds / BLOCKS_PER_LATENCY) if fixed else 0,
            never_drop_input=not fixed,
            **self._common(rate_hz),
            **both,
        )
