"""Whether the samples that are played start and stop as slowly as a station's protection asks.

A stimulus may begin later than its first frame, and pause: each stretch between two silences starts and stops. Between
its levels it may change as fast as it likes, which no silence comes before.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from linecheck.checks.base import Stimulus

#: What stays below is silence: -80 dB re full scale, or so many quantising steps where those are larger.
SILENCE: Final = 1e-4
SILENT_STEPS: Final = 5.0
#: So much of it may be there at once: a signal that swings leaves the silence when its envelope has done so already.
AT_ONCE: Final = 10.0
AT_ONCE_STEPS: Final = 20.0
#: A pause is longer; within a period of the lowest tone there is none. Half a period of 10 Hz.
MIN_PAUSE_SECONDS: Final = 0.05
#: A raised cosine rises by so much of its height, at its steepest, in its own length.
STEEPEST: Final = 0.5 * math.pi


@dataclass(frozen=True)
class Abrupt:
    """A stretch of a stimulus that starts or stops too fast: where, in which channel (from 0), and how fast."""

    seconds: float
    channel: int
    starts: bool
    ramp_seconds: float


def abrupt(stimulus: Stimulus, ramp_seconds: float) -> Abrupt | None:
    """Return the fastest start or stop of a stimulus that is faster than a ramp; None where all are slower.

    A stretch with the greatest sample P may rise, from where it leaves the silence, by as much as a raised cosine of
    that length and height does at its steepest: π/2 P in ``ramp_seconds``.
    """
    found = [entry for entry in _ends(stimulus, ramp_seconds) if entry.ramp_seconds < ramp_seconds]
    return min(found, key=lambda entry: entry.ramp_seconds, default=None)


def _ends(stimulus: Stimulus, ramp_seconds: float) -> Iterator[Abrupt]:
    """Yield how fast each stretch of each channel starts and stops."""
    rate = stimulus.rate_hz
    step = 2.0 ** (1 - stimulus.bits)
    silence = max(SILENCE, SILENT_STEPS * step)
    at_once = max(AT_ONCE * SILENCE, AT_ONCE_STEPS * step)
    frames = round(ramp_seconds * rate)
    for channel in range(stimulus.channels):
        size = np.abs(stimulus.samples[:, channel] * 2.0**-31)
        for first, last in _stretches(size > silence, round(MIN_PAUSE_SECONDS * rate)):
            stretch = size[first : last + 1]
            peak = float(np.max(stretch))
            over = stretch - at_once
            start, stop = (_ramp_frames(end[:frames], peak) for end in (over, over[::-1]))
            yield Abrupt(first / rate, channel, True, start / rate)
            yield Abrupt((last + 1) / rate, channel, False, stop / rate)


def _stretches(sounds: NDArray[np.bool_], pause: int) -> Iterator[tuple[int, int]]:
    """Yield the first and the last frame of each stretch that sounds, shorter pauses included."""
    at = np.flatnonzero(sounds)
    if len(at):
        cuts = np.flatnonzero(np.diff(at) > pause)
        yield from zip(at[np.r_[0, cuts + 1]].tolist(), at[np.r_[cuts, len(at) - 1]].tolist(), strict=True)


def _ramp_frames(over: NDArray[np.float64], peak: float) -> float:
    """Return how many frames a raised cosine would have that is, at its steepest, as steep as a beginning."""
    loud = np.flatnonzero(over > 0.0)
    return float(np.min(STEEPEST * peak * (loud + 1.0) / over[loud], initial=np.inf))
