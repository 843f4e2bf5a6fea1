"""The engine: chooses the devices, keeps their streams open, plays one take after another and watches over it.

An engine calls PortAudio, and PortAudio can hang in a call or end the process; so it works in a process of its own
(:mod:`linecheck.station.interfaces.sound.worker`), imports nothing slow, and is driven from the station's process
(:mod:`linecheck.station.interfaces.sound.process`).
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from types import ModuleType

import numpy as np

from linecheck.errors import StationError
from linecheck.station.interfaces.sound.callbacks import (
    SENTINEL,
    BlockLog,
    Blocks,
    Player,
    PlayTake,
    Recorder,
    RecordTake,
    Samples,
)
from linecheck.station.interfaces.sound.delay import lag_seconds
from linecheck.station.interfaces.sound.devices import (
    Direction,
    SoundDevice,
    choose_device,
    list_devices,
    load_portaudio,
)
from linecheck.station.interfaces.sound.stream import SoundSide, SoundStreams

#: Digital silence before the stimulus, once the capture runs.
LEAD_SECONDS = 0.02
#: No block for so long means that the device has stopped.
STALL_SECONDS = 3.0
#: How long a stream may take from its start, or a hiccup, to a steady flow of blocks.
SETTLE_SECONDS = 10.0
#: Blocks during which a stream that has just started, or had a hiccup, may still be filling its buffers.
SETTLING_BLOCKS = 6
#: Room in the capture's array for a playback that starts late or runs slow.
SPARE_SECONDS = 3.0
POLL_SECONDS = 0.005
#: Between two stimuli once the delay is known, to a millisecond: half of it belongs to either capture.
KNOWN_DELAY_PAUSE_SECONDS = 0.03
#: How far the clocks of playback and capture may differ.
CLOCK_TOLERANCE = 1e-3

CURE = "Is it still connected and switched on, and is its driver or sound server running?"


@dataclass(frozen=True)
class SideSettings:
    """One direction of a station: device, channels (from 1, in the limit file's order), sample format."""

    device: str
    channels: tuple[int, ...]
    sample_format: str

    @property
    def width(self) -> int:
        """How many channels of the device are opened."""
        return max(self.channels)

    @property
    def columns(self) -> list[int]:
        """Where the channels lie in a block."""
        return [channel - 1 for channel in self.channels]


@dataclass(frozen=True)
class SoundSettings:
    """What an engine is to do, whatever it plays.

    ``playback_rate_hz`` is the rate that the streams are opened for at once; None opens them with the first take.
    """

    playback: SideSettings
    capture: SideSettings
    capture_rate_hz: int
    latency_seconds: float
    tail_seconds: float
    playback_rate_hz: int | None = None


@dataclass(frozen=True)
class FoundDevices:
    """What the settings' names came to; ``driver`` is PortAudio's version."""

    playback: SoundDevice
    capture: SoundDevice
    driver: str


@dataclass(frozen=True)
class Take:
    """What came back of one stimulus: samples of shape (frames, channels), and the blocks of both directions.

    ``moved_seconds`` is how far the delay between both moved since it was last seen, where that is too far.
    """

    samples: Samples
    capture_blocks: Blocks
    playback_blocks: Blocks
    moved_seconds: float = 0.0


class SoundEngine:
    """Plays and captures.

    Parameters
    ----------
    settings : SoundSettings
    backend : module or None
        What to use in place of sounddevice.
    """

    def __init__(self, settings: SoundSettings, backend: ModuleType | None = None) -> None:
        self._settings = settings
        self._backend = backend
        self._player = Player()
        self._recorder = Recorder(settings.capture_rate_hz)
        self._streams: SoundStreams | None = None
        self._coming: PlayTake | None = None
        self._delay = 0.0
        self._delay_holds: tuple[int, int, int] | None = None

    def open(self) -> FoundDevices:
        """Find the devices, and open them if the rate is known.

        Raises
        ------
        StationError
            PortAudio is missing, a device is not there, not the only one of its name, or refuses.
        """
        backend = self._backend or load_portaudio()
        devices, settings = list_devices(backend), self._settings
        playback = _side(devices, settings.playback, "playback")
        capture = _side(devices, settings.capture, "capture")
        self._streams = SoundStreams(
            backend, playback, capture, settings.latency_seconds, self._player, self._recorder
        )
        if settings.playback_rate_hz is not None:
            self._streams.open_for(settings.playback_rate_hz)
        return FoundDevices(playback.device, capture.device, str(backend.get_portaudio_version()[1]))

    def ready(self, rate_hz: int) -> None:
        """Have the streams open for stimuli of this rate.

        Raises
        ------
        StationError
            A device refuses.
        """
        self._opened.open_for(rate_hz)

    def play(self, samples: Samples, rate_hz: int, following: Samples | None = None) -> Take:
        """Play samples of shape (frames, channels), in the device's format, and return what came back.

        ``following`` is what the next call will want played, at the same rate. It begins without a break, once a
        pause has made sure that no capture holds two stimuli: the tail, and as much as the driver may be wrong
        about its delay; less where the delay is known from an earlier take. Anything else that is done next stops it.

        Raises
        ------
        StationError
            A device stops, or does not run at its rate.
        """
        self._opened.open_for(rate_hz)
        play = self._coming if self._is_coming(samples, rate_hz) else self._begin(samples, rate_hz)
        assert play is not None
        self._coming = coming = None
        try:
            delay = self._known_delay()
            if delay is not None:
                self._watch(lambda: None not in (play.begun, play.record.begun), SETTLE_SECONDS)
            pause = self._pause_after(play, delay)
            if following is not None and not play.done:
                coming = self._queue(play, following, pause)
            if delay is not None:
                play.record.stop = self._stop_frame(play, delay, 0.5 * pause)
            longest = 2.0 * len(play.record.samples) / self._settings.capture_rate_hz
            self._watch(lambda: play.record.done, longest)
        except BaseException:
            self._silence()
            raise
        # A take that ended before it was told of the next one never came to that.
        if coming is not None and self._player.take is coming:
            self._coming = coming
        else:
            self._silence()
        return self._taken(play, delay, pause)

    def close(self) -> None:
        """Stop all sound at once and free the devices."""
        self._silence()
        streams, self._streams = self._streams, None
        if streams is not None:
            streams.close()

    @property
    def _opened(self) -> SoundStreams:
        if self._streams is None:
            raise StationError("the sound devices are not open")
        return self._streams

    def _settled(self) -> bool:
        """Say whether blocks have come both ways without a flag for a while."""
        return min(self._player.steady_blocks, self._recorder.steady_blocks) > SETTLING_BLOCKS

    def _is_coming(self, samples: Samples, rate_hz: int) -> bool:
        """Say whether these samples are what plays already."""
        play = self._coming
        if play is None or play.rate_hz != rate_hz or self._player.take is not play:
            return False
        spread = play.samples[len(play.samples) - len(samples) :, self._settings.playback.columns]
        return spread.shape == samples.shape and np.array_equal(spread, samples)

    def _begin(self, samples: Samples, rate_hz: int) -> PlayTake:
        """Start a take from silence."""
        unwanted = self._coming
        self._silence()
        if unwanted is not None:
            # What the driver holds of it must not sound into this capture.
            time.sleep(2.0 * unwanted.drain_seconds + self._settings.tail_seconds)
        self._watch(self._settled, SETTLE_SECONDS)
        play = self._take(samples, rate_hz, LEAD_SECONDS)
        self._recorder.take, self._player.take = play.record, play
        return play

    def _pause_after(self, play: PlayTake, delay: float | None) -> float:
        """Return how long a pause keeps two stimuli apart, s; the two clocks may differ where the delay is known."""
        if delay is not None:
            return KNOWN_DELAY_PAUSE_SECONDS + 2.0 * CLOCK_TOLERANCE * len(play.samples) / play.rate_hz
        block = self._recorder.block_frames / self._settings.capture_rate_hz
        return self._settings.tail_seconds + self._opened.output_latency_seconds + 2.0 * block

    def _queue(self, play: PlayTake, following: Samples, pause: float) -> PlayTake:
        """Have a take follow the one that plays, after a pause in seconds."""
        coming = self._take(following, play.rate_hz, pause)
        coming.at_once = True
        play.record.following = coming.record
        play.following = coming
        return coming

    def _continuity(self) -> tuple[int, int, int]:
        """Return what stays the same as long as both streams run on without a gap."""
        return self._opened.openings, self._player.flagged, self._recorder.flagged

    def _known_delay(self) -> float | None:
        """Return the capture's time less the playback's where it is known, each counted from its stream's start, s."""
        return self._delay if self._delay_holds == self._continuity() else None

    def _stop_frame(self, play: PlayTake, delay: float, spare_seconds: float) -> int:
        """Return the frame of the capture that comes a while after the last one played has arrived."""
        assert play.begun is not None
        assert play.record.begun is not None
        end = delay + (play.begun + len(play.samples)) / play.rate_hz + spare_seconds
        return round(end * self._settings.capture_rate_hz) - play.record.begun

    def _learn_delay(self, play: PlayTake, captured: Samples, used: float | None, pause: float) -> float:
        """Note the delay that a take shows; return how far it lies off the one that was used, if that is too far, s."""
        rate = self._settings.capture_rate_hz
        sent = play.samples[:, self._settings.playback.columns]
        lag = lag_seconds(sent, play.rate_hz, captured, rate)
        if lag is None or play.begun is None or play.record.begun is None:
            return 0.0
        self._delay = play.record.begun / rate + lag - play.begun / play.rate_hz
        self._delay_holds = self._continuity()
        moved = 0.0 if used is None else self._delay - used
        return moved if abs(moved) > 0.25 * pause else 0.0

    def _silence(self) -> None:
        """Let nothing more be played or captured."""
        self._coming = self._recorder.take = self._player.take = None

    def _take(self, samples: Samples, rate_hz: int, pause_seconds: float) -> PlayTake:
        """Spread the samples over the device's channels, after a pause of silence, and make room for what comes."""
        pause, side = int(np.ceil(pause_seconds * rate_hz)), self._settings.playback
        spread: Samples = np.zeros((pause + len(samples), side.width), dtype=side.sample_format)
        spread[pause:, side.columns] = samples
        return PlayTake(
            samples=spread,
            rate_hz=rate_hz,
            record=self._record_take(len(spread) / rate_hz),
            log=BlockLog(len(spread)),
            drain_seconds=self._opened.output_latency_seconds,
        )

    def _record_take(self, played_seconds: float) -> RecordTake:
        settings = self._settings
        frames = int((played_seconds + settings.tail_seconds + SPARE_SECONDS) * settings.capture_rate_hz)
        sample_format = settings.capture.sample_format
        return RecordTake(
            samples=np.full((frames, settings.capture.width), SENTINEL[sample_format], dtype=sample_format),
            tail_frames=int(np.ceil(settings.tail_seconds * settings.capture_rate_hz)),
            log=BlockLog(frames),
        )

    def _watch(self, done: Callable[[], bool], longest_seconds: float) -> None:
        """Wait until ``done``, and no longer than blocks keep coming."""
        watchdog = Watchdog(self._player, self._recorder, longest_seconds)
        while not done():
            watchdog.look(time.monotonic(), ended=self._opened.ended)
            time.sleep(POLL_SECONDS)

    def _taken(self, play: PlayTake, delay: float | None, pause: float) -> Take:
        record = play.record
        if not play.done:
            raise StationError(
                f"the playback device took {play.position / play.rate_hz:.2f} s of audio in "
                f"{record.position / self._settings.capture_rate_hz:.2f} s: "
                f"it does not run at {play.rate_hz} Hz"
            )
        captured = np.ascontiguousarray(record.samples[: record.position, self._settings.capture.columns])
        moved = self._learn_delay(play, captured, delay, pause)
        return Take(captured, record.log.blocks, play.log.blocks, moved)


@dataclass
class Watchdog:
    """Raises when blocks stop coming.

    Parameters
    ----------
    player, recorder
        Whose ``blocks`` are looked at.
    longest_seconds : float
        How long it may all take, however many blocks come.
    """

    player: Player
    recorder: Recorder
    longest_seconds: float
    _begun: float | None = None
    _seen: dict[str, tuple[int, float]] = field(default_factory=dict)

    def look(self, now: float, *, ended: bool) -> None:
        """Look at the counters at a time; ``ended`` says that the driver has ended a stream."""
        if ended:
            raise StationError(
                f"the sound device stopped delivering audio: its driver ended the stream. {CURE}"
            )
        self._begun = now if self._begun is None else self._begun
        for name, side in (("playback", self.player), ("capture", self.recorder)):
            blocks, since = self._seen.get(name, (-1, now))
            if side.blocks != blocks:
                self._seen[name] = (side.blocks, now)
            elif now - since > STALL_SECONDS:
                raise StationError(
                    f"the {name} device stopped delivering audio for {now - since:.1f} s. {CURE}"
                )
        if now - self._begun > self.longest_seconds:
            raise StationError(
                f"the sound device does not deliver audio steadily: no end after {now - self._begun:.1f} s. {CURE}"
            )


def _side(devices: tuple[SoundDevice, ...], side: SideSettings, direction: Direction) -> SoundSide:
    device = choose_device(devices, side.device, direction, side.width)
    return SoundSide(device, side.width, side.sample_format)
