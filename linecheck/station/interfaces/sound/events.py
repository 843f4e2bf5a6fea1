"""What makes a take of the sound interface untrustworthy: the driver's flags, its pace, gaps."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from linecheck.checks.base import StreamEvent
from linecheck.station.interfaces.sound.callbacks import Blocks, Flag, Samples, undelivered_frames
from linecheck.station.interfaces.sound.engine import Take

__all__ = ["flag_events", "gap_events", "moved_events", "rate_events", "take_events"]

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
        *gap_events(take.samples, rate_hz),
        *moved_events(take.moved_seconds),
    ]
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
    message = f"{side}: audio at {rate_hz} Hz went by at {pace:.3f} times its pace"
    return [StreamEvent("rate_mismatch", elapsed, message)]


def gap_events(samples: Samples, rate_hz: int) -> list[StreamEvent]:
    """Return whether the capture's array has frames that nobody delivered."""
    frames = undelivered_frames(samples)
    if frames == 0:
        return []
    message = f"capture: {frames} of {len(samples)} frames were never delivered"
    return [StreamEvent("gap", len(samples) / rate_hz, message)]


def moved_events(seconds: float) -> list[StreamEvent]:
    """Return whether the delay from playback to capture moved, which it does where audio is lost or made up unseen."""
    if not seconds:
        return []
    message = (
        f"the delay from playback to capture moved by {1e3 * seconds:+.0f} ms since the check before: "
        "audio was lost or made up between the two"
    )
    return [StreamEvent("delay_moved", 0.0, message)]


def _start(capture: Blocks, rate_hz: int) -> float:
    """Return when the capture's first frame came."""
    return float(capture.times[0]) - float(capture.frames[0]) / rate_hz if len(capture.times) else 0.0
