"""What runs in the audio thread: copying between the driver's blocks and arrays that already exist.

===================  ===================================================================================
:class:`PlayTake`    what is to be played, and how far it has got
:class:`RecordTake`  where captured frames go, and when to stop
:class:`Player`      fills the driver's output blocks: a take's frames, digital silence otherwise
:class:`Recorder`    empties the driver's input blocks: into a take, nowhere otherwise
:class:`BlockLog`    time, length and flags of every block of a take
===================  ===================================================================================

Nothing here logs, waits or grows an array. The main thread hands a take over by setting one attribute, and
looks at counters.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from enum import IntFlag
from typing import Any

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[Any]

#: What a capture's array holds where nothing was delivered. The integer is odd, which no converter of up to
#: 31 bits gives, and within 0.3 % of the rail; float captures have NaN.
SENTINEL: dict[str, float | int] = {"int32": -0x7FA5A5A5, "float32": float("nan")}

#: A driver that says it needs longer than this from here to its output is not believed.
MAX_DRAIN_SECONDS = 2.0


class Flag(IntFlag):
    """What a driver reports with a block; priming the output at a stream's start is no fault and left out."""

    INPUT_UNDERFLOW = 1
    INPUT_OVERFLOW = 2
    OUTPUT_UNDERFLOW = 4
    OUTPUT_OVERFLOW = 8

    @classmethod
    def of_input(cls) -> Flag:
        """Return those that concern the capture."""
        return cls.INPUT_UNDERFLOW | cls.INPUT_OVERFLOW


def flags_of(status: Any) -> int:  # noqa: ANN401 - sounddevice's CallbackFlags, untyped
    """Return a driver's flags as bits of :class:`Flag`."""
    if not status:
        return 0
    return (
        int(status.input_underflow)
        | int(status.input_overflow) << 1
        | int(status.output_underflow) << 2
        | int(status.output_overflow) << 3
    )


@dataclass(frozen=True)
class Blocks:
    """When each block of a take came (s, ``time.perf_counter``), its length in frames, what the driver said."""

    times: NDArray[np.float64]
    frames: NDArray[np.int64]
    flags: NDArray[np.int64]


class BlockLog:
    """Notes the blocks of a take of so many frames in arrays that exist before the first of them.

    There is room for all of its blocks, if these have 32 frames or more on average.
    """

    def __init__(self, frames: int) -> None:
        blocks = 1024 + frames // 32
        self._times = np.full(blocks, 0.0)
        self._frames = np.full(blocks, 0)
        self._flags = np.full(blocks, 0)
        self._count = 0

    def note(self, now: float, frames: int, flags: int) -> None:
        """Add a block; when the log is full, blocks are added to the last one."""
        index = self._count
        if index < len(self._times):
            self._count = index + 1
        else:
            index -= 1
        self._times[index] = now
        self._frames[index] += frames
        self._flags[index] |= flags

    @property
    def blocks(self) -> Blocks:
        """What has been noted so far."""
        noted = slice(self._count)
        return Blocks(self._times[noted].copy(), self._frames[noted].copy(), self._flags[noted].copy())


@dataclass
class RecordTake:
    """One capture: frames go into ``samples``, shape (frames, device channels), from the first block on.

    ``tail_frames`` are captured after the player has let the last frame go, it has drained, and two more
    blocks have come, for the capture's own delay. ``done`` says that all is there, or that ``samples`` is
    full. ``played`` is where the capture was when the player let the last frame go, None before that, and
    ``drain_seconds`` how long that frame takes to the output. ``following`` begins with the frame after the last.
    ``stop`` may be set beforehand; ``begun`` counts the frames that the recorder took before the first.
    """

    samples: Samples
    tail_frames: int
    log: BlockLog
    position: int = 0
    stop: int | None = None
    done: bool = False
    played: int | None = None
    drain_seconds: float = 0.0
    following: RecordTake | None = None
    begun: int | None = None


@dataclass
class PlayTake:
    """One stimulus, shape (frames, device channels), which begins once ``record`` has its first block.

    ``drain_seconds`` is how long the last frame takes from here to the output, as the driver says.
    ``following`` is played without a break after this one; ``at_once`` says of such a one that it waits for
    no capture, since one runs. ``begun`` counts the frames that the player gave before the first.
    """

    samples: Samples
    rate_hz: int
    record: RecordTake
    log: BlockLog
    position: int = 0
    drain_seconds: float = 0.0
    at_once: bool = False
    following: PlayTake | None = None
    begun: int | None = None

    @property
    def sounds(self) -> bool:
        """Whether it has frames to give now."""
        return not self.done and (self.at_once or self.record.position > 0)

    @property
    def done(self) -> bool:
        """Whether the driver has been given every frame."""
        return self.position >= len(self.samples)


@dataclass
class Flow:
    """The blocks of one direction.

    ``blocks`` counts all of them, so that a watchdog sees them come, ``steady_blocks`` those since the
    stream's start or the driver's last flag, ``flagged`` those with a flag, ``frames`` all frames.
    """

    blocks: int = field(default=0, init=False)
    steady_blocks: int = field(default=0, init=False)
    flagged: int = field(default=0, init=False)
    frames: int = field(default=0, init=False)

    def count_block(self, flags: int) -> None:
        """Count a block that has come."""
        self.blocks += 1
        self.steady_blocks = 0 if flags else self.steady_blocks + 1
        self.flagged += 1 if flags else 0


@dataclass
class Player(Flow):
    """Fills output blocks."""

    take: PlayTake | None = None

    def fill(self, out: Samples, frames: int, lead_seconds: float, flags: int) -> None:
        """Fill one block, whose first frame sounds ``lead_seconds`` from now if the driver is right."""
        self.count_block(flags)
        filled, now = 0, time.perf_counter()
        while filled < frames and (take := self.take) is not None and take.sounds:
            take.log.note(now, frames, flags)
            start = take.position
            if start == 0:
                take.begun = self.frames + filled
            count = min(frames - filled, len(take.samples) - start)
            out[filled : filled + count] = take.samples[start : start + count]
            filled += count
            drain = lead_seconds + filled / take.rate_hz
            if drain > take.drain_seconds:
                take.drain_seconds = min(drain, MAX_DRAIN_SECONDS)
            take.position = start + count
            if take.done:
                take.record.drain_seconds = take.drain_seconds
                take.record.played = take.record.position
                if take.following is not None:
                    self.take = take.following
        out[filled:] = 0
        self.frames += frames


@dataclass
class Recorder(Flow):
    """Empties input blocks; ``block_frames`` is the last block's length."""

    rate_hz: int
    take: RecordTake | None = None
    block_frames: int = field(default=0, init=False)

    def empty(self, block: Samples, frames: int, flags: int) -> None:
        """Take one block."""
        self.count_block(flags)
        self.block_frames = frames
        emptied, now = 0, time.perf_counter()
        while emptied < frames and (take := self.take) is not None and not take.done:
            take.log.note(now, frames - emptied, flags)
            if take.stop is None and take.played is not None:
                drain = int(take.drain_seconds * self.rate_hz) + 2 * frames
                stop = take.played + drain + take.tail_frames
                take.stop = min(max(stop, take.position), len(take.samples))
            start = take.position
            if start == 0:
                take.begun = self.frames + emptied
            stop = len(take.samples) if take.stop is None else max(take.stop, start)
            count = min(frames - emptied, stop - start)
            take.samples[start : start + count] = block[emptied : emptied + count]
            emptied += count
            take.position = start + count
            if take.position >= stop:
                if take.following is not None:
                    self.take = take.following
                take.done = True
        self.frames += frames


def undelivered_frames(samples: Samples) -> int:
    """Return how many frames of a capture still hold the sentinel."""
    if np.issubdtype(samples.dtype, np.floating):
        return int(np.any(np.isnan(samples), axis=1).sum())
    return int(np.all(samples == SENTINEL["int32"], axis=1).sum())
