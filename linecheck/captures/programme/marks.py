"""All marks of a recording, whatever its length: found block by block, then read one by one.

===========================  =====================================================================
:func:`find_marks`           the marks of a recording, in the order of time
:class:`FoundMark`           where one is, what it says, and how each channel carries it
:func:`speed_of_marks`       at which wrong speed there are marks, where there are none at the right one
===========================  =====================================================================
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linecheck.audio.sample_bytes import Samples
from linecheck.audio.stream import AudioStream
from linecheck.dsp.locating.mark_search import Payload, PayloadReader, Sync, SyncFinder
from linecheck.dsp.locating.marks import LOWEST_RATE_HZ, MarkCode
from linecheck.errors import FileError

FloatBlock = NDArray[np.float32]

#: Syncs of different channels that are closer than this belong to one mark.
TOGETHER_SECONDS = 0.01
#: A mark so much weaker than the strongest channel's is crosstalk: 40 dB.
CROSSTALK = 0.01
#: A sync that explains so much of its band's power is a mark, even where its bits cannot be read.
SURE_SHARE = 0.3
#: No programme and no player makes more.
MAX_SYNCS = 20_000

#: What a source makes of one rate that takes it for another.
WRONG_SPEEDS = (48 / 44.1, 44.1 / 48, 2.0, 0.5, 96 / 44.1, 44.1 / 96, 88.2 / 48, 48 / 88.2)
#: So much of a recording is searched at other speeds.
SPEED_SECONDS = 120.0


@dataclass(frozen=True)
class CarriedMark:
    """A mark as one channel of a recording carries it.

    ``channel`` is the one that it was played in, None where that cannot be told; ``polarity`` is 0 where it cannot.
    """

    channel: int | None
    mixed: bool
    polarity: int


@dataclass(frozen=True)
class FoundMark:
    """A mark of a recording.

    Attributes
    ----------
    frame : float
        Where its sync begins.
    code : MarkCode or None
        What it says; None where it is damaged.
    carried : tuple of CarriedMark or None
        By channel of the recording; None where the channel does not carry it.
    """

    frame: float
    code: MarkCode | None
    carried: tuple[CarriedMark | None, ...]


def find_marks(stream: AudioStream, *, speed: float = 1.0, frames: int | None = None) -> list[FoundMark]:
    """Return the marks of a recording, in the order of time.

    Parameters
    ----------
    stream : AudioStream
    speed : float
        How many times as fast as it should the programme was played.
    frames : int, optional
        So many are searched; all, if left out.

    Raises
    ------
    FileError
        The recording's rate is too low, it cannot be read, or it has more marks than can be.
    """
    rate_hz = stream.rate_hz / speed
    if rate_hz < LOWEST_RATE_HZ:
        raise FileError(
            stream.path, f"was recorded at {stream.rate_hz} Hz, and marks need {LOWEST_RATE_HZ} Hz or more"
        )
    found = _syncs(stream, SyncFinder(rate_hz), frames)
    reader = PayloadReader(rate_hz)
    marks = [_read(stream, reader, group) for group in _together(found, TOGETHER_SECONDS * rate_hz)]
    return [mark for mark in marks if mark is not None]


def _syncs(stream: AudioStream, finder: SyncFinder, frames: int | None) -> list[tuple[int, Sync]]:
    """Return the syncs of all channels, each with its channel, in the order of time."""
    found: list[tuple[int, Sync]] = []
    for start, block in _overlapping(stream, finder, frames):
        for channel in range(stream.channels):
            values = _single(block[:, channel])
            if np.any(values):
                found += [
                    (channel, Sync(start + sync.frame, sync.amplitude, sync.share))
                    for sync in finder.find(values)
                ]
        if len(found) > MAX_SYNCS:
            raise FileError(
                stream.path, f"has more than {MAX_SYNCS:,} marks, which no recording of a programme has"
            )
    return sorted(found, key=lambda entry: entry[1].frame)


def _overlapping(
    stream: AudioStream, finder: SyncFinder, frames: int | None
) -> Iterator[tuple[int, Samples]]:
    """Yield blocks that overlap by what a search cannot see at their ends, each with its first frame."""
    block = np.zeros((finder.frames, stream.channels), dtype=stream.dtype)
    kept = finder.frames - finder.hop
    filled, start = finder.first, -finder.first
    for piece in stream.blocks(finder.hop):
        at = 0
        while at < len(piece):
            count = min(len(piece) - at, finder.frames - filled)
            block[filled : filled + count] = piece[at : at + count]
            filled, at = filled + count, at + count
            if filled == finder.frames:
                yield start, block
                if frames is not None and start + finder.frames >= frames:
                    return
                block[:kept] = block[finder.hop :].copy()
                filled, start = kept, start + finder.hop
    block[filled:] = 0
    yield start, block


def _single(values: Samples) -> FloatBlock:
    """Return samples in single precision, full scale 1.0; what is no number counts as silence here."""
    single = values.astype(np.float32)
    if np.issubdtype(values.dtype, np.integer):
        single *= np.float32(2.0**-31)
    else:
        np.nan_to_num(single, copy=False, nan=0.0, posinf=0.0, neginf=0.0)
    return np.asarray(single)


def _together(found: Sequence[tuple[int, Sync]], apart: float) -> Iterator[dict[int, Sync]]:
    """Yield the syncs that belong to one mark, by channel."""
    group: dict[int, Sync] = {}
    first = 0.0
    for channel, sync in found:
        if group and sync.frame - first > apart:
            yield group
            group = {}
        if not group:
            first = sync.frame
        if channel not in group or sync.share > group[channel].share:
            group[channel] = sync
    if group:
        yield group


def _read(stream: AudioStream, reader: PayloadReader, group: dict[int, Sync]) -> FoundMark | None:
    """Return the mark that some syncs belong to; None where there is none, only something alike."""
    strongest = max(group.values(), key=lambda sync: sync.amplitude)
    payloads: dict[int, Payload] = {}
    for channel, sync in group.items():
        if sync.amplitude > CROSSTALK * strongest.amplitude:
            payloads[channel] = _payload(stream, reader, channel, sync)
    by_strength = sorted(payloads, key=lambda channel: -group[channel].amplitude)
    codes = [code for channel in by_strength if (code := payloads[channel].code) is not None]
    if not codes and strongest.share < SURE_SHARE:
        return None
    code = codes[0] if codes else None
    carried = [
        CarriedMark(payload.channel, payload.mixed, payload.polarity)
        if (payload := payloads.get(channel)) is not None
        and payload.code is not None
        and payload.code == code
        else None
        for channel in range(stream.channels)
    ]
    return FoundMark(strongest.frame, code, tuple(carried))


def _payload(stream: AudioStream, reader: PayloadReader, channel: int, sync: Sync) -> Payload:
    first = round(sync.frame)
    start = min(max(first + reader.before, 0), stream.frames)
    stop = min(start + reader.frames, stream.frames)
    values = np.zeros(reader.frames, dtype=np.float32)
    values[: stop - start] = _single(stream.read(start, stop)[:, channel])
    return reader.read(values, sync.frame - first)


def speed_of_marks(stream: AudioStream) -> float | None:
    """Return at how many times its speed a programme was recorded, where that is a usual mistake; None if not."""
    frames = round(SPEED_SECONDS * stream.rate_hz)
    for speed in WRONG_SPEEDS:
        if stream.rate_hz / speed >= LOWEST_RATE_HZ and any(
            mark.code is not None for mark in find_marks(stream, speed=speed, frames=frames)
        ):
            return speed
    return None
