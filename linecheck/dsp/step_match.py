"""Finding when a signal that changes in steps sounds in a longer recording.

Each step is a sum of a few steady tones at known amplitudes. The amplitudes of all tones over time, block by block, are
compared with what they should be: where both are proportional, their normalised correlation is 1 (Cauchy–Schwarz), so
neither the gain, nor the polarity, nor what sounds before and after matters.

==========================  ===========================================================================
:class:`Schedule`           which tone sounds at which amplitude when
:func:`tone_envelopes`      amplitudes of several tones over time
:func:`find_schedule`       where a schedule starts in envelopes, to a block
:func:`refine_start`        the same to a fraction of a block, with the ratio of the clocks known
==========================  ===========================================================================
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Envelopes", "Schedule", "find_schedule", "refine_start", "tone_envelopes"]

FloatArray = NDArray[np.float64]

#: Starts are tried this many to a block, this many blocks either way.
_FINE, _REACH = 4, 3


@dataclass(frozen=True)
class Schedule:
    """Which tone sounds at which amplitude when.

    Attributes
    ----------
    edges : float64 array, shape (steps + 1,)
        When each step begins, and when the last one ends, seconds.
    amplitudes : float64 array, shape (tones, steps)
    """

    edges: FloatArray
    amplitudes: FloatArray

    @property
    def seconds(self) -> float:
        """From the first step's begin to the last one's end."""
        return float(self.edges[-1] - self.edges[0])

    @property
    def steady_score(self) -> float:
        """What :func:`find_schedule` comes to where tones or noise sound all the time."""
        lengths = np.diff(self.edges) / self.seconds
        steady = float(np.sum((self.amplitudes @ lengths) ** 2))
        return float(np.sqrt(steady / np.sum(self.amplitudes**2 @ lengths)))

    def means(self, tone: int, begins: FloatArray, width: float) -> FloatArray:
        """Return a tone's mean amplitude over stretches of ``width`` seconds; silence outside the schedule."""
        area = np.concatenate(([0.0], np.cumsum(self.amplitudes[tone] * np.diff(self.edges))))
        both = np.interp(np.concatenate((begins, begins + width)), self.edges, area)
        means: FloatArray = (both[len(begins) :] - both[: len(begins)]) / width
        return means


@dataclass(frozen=True)
class Envelopes:
    """Amplitudes of tones over time.

    Attributes
    ----------
    values : float64 array, shape (tones, blocks)
        Mean amplitude over ``widths`` blocks from each block on; zero where the recording ends before.
    widths : int array, shape (tones,)
        A low tone needs more than a block: at least one of its periods.
    block_seconds : float
    """

    values: FloatArray
    widths: NDArray[np.int64]
    block_seconds: float


def tone_envelopes(
    values: FloatArray, rate_hz: float, tones_hz: FloatArray, block_seconds: float = 0.004
) -> Envelopes:
    """Return the amplitudes of several tones over time.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    rate_hz : float
    tones_hz : float64 array, shape (tones,)
    block_seconds : float
        Nominal; it becomes a whole number of frames.
    """
    hop = max(1, round(block_seconds * rate_hz))
    count = len(values) // hop
    cycles = tones_hz / rate_hz
    turns = np.exp(-2j * np.pi * np.outer(np.arange(hop), cycles))
    table = values[: count * hop].reshape(count, hop)
    starts = np.outer(np.arange(count) * hop, cycles)
    blocks = (table @ turns.real + 1j * (table @ turns.imag)) * np.exp(
        -2j * np.pi * (starts - np.rint(starts))
    )
    widths = np.maximum(1, np.ceil(rate_hz / (tones_hz * hop) - 1e-9)).astype(np.int64)
    result = np.zeros((len(tones_hz), count))
    for tone, width in enumerate(widths):
        if width > count:
            continue
        sums = np.concatenate(([0.0], np.cumsum(blocks[:, tone])))
        result[tone, : count - width + 1] = np.abs(sums[width:] - sums[:-width]) * (2.0 / (hop * width))
    return Envelopes(result, widths, hop / rate_hz)


def _template(envelopes: Envelopes, schedule: Schedule, begins: FloatArray) -> FloatArray:
    """Return what the envelopes should be in blocks that begin at times of the schedule, shape (tones, blocks)."""
    return np.array(
        [
            schedule.means(tone, begins, float(width) * envelopes.block_seconds)
            for tone, width in enumerate(envelopes.widths)
        ]
    )


def find_schedule(envelopes: Envelopes, schedule: Schedule) -> tuple[float, float]:
    """Return where a schedule's time zero lies in a recording, and how well it is met there.

    Parameters
    ----------
    envelopes : Envelopes
    schedule : Schedule

    Returns
    -------
    start_seconds : float
        Negative where the recording begins later; to about a block.
    score : float
        Normalised correlation, 0 to 1: 1 where all amplitudes are in proportion. A part that the recording does not
        hold lowers it.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    values, block = envelopes.values, envelopes.block_seconds
    count = values.shape[1]
    first = int(np.floor(schedule.edges[0] / block)) - int(np.max(envelopes.widths))
    last = int(np.ceil(schedule.edges[-1] / block))
    if not count or not np.any(values):
        return 0.0, 0.0
    template = _template(envelopes, schedule, np.arange(first, last, dtype=np.float64) * block)
    size = last - first
    length = next_fast_len(count + size, real=True)
    product = np.sum(rfft(values, length, axis=1) * np.conj(rfft(template, length, axis=1)), axis=0)
    # Entry m is the template's first block at block m of the recording; negative m come from the end.
    shifts = np.arange(-size + 1, count)
    correlation = irfft(product, length)[shifts]
    energy = np.concatenate(([0.0], np.cumsum(np.sum(values**2, axis=0))))
    inside = energy[np.clip(shifts + size, 0, count)] - energy[np.clip(shifts, 0, count)]
    scale = np.sqrt(np.sum(template**2) * np.maximum(inside, 1e-12 * energy[-1]))
    score = correlation / scale
    best = int(np.argmax(score))
    return float((shifts[best] - first) * block), float(score[best])


def refine_start(envelopes: Envelopes, schedule: Schedule, start_seconds: float, clock_ratio: float) -> float:
    """Return a start to a fraction of a block.

    Parameters
    ----------
    envelopes : Envelopes
    schedule : Schedule
    start_seconds : float
        From :func:`find_schedule`.
    clock_ratio : float
        The schedule's clock over the recording's.
    """
    values, block = envelopes.values, envelopes.block_seconds
    places: FloatArray = np.arange(values.shape[1], dtype=np.float64) * block
    steps = np.arange(-_REACH * _FINE, _REACH * _FINE + 1) * (block / _FINE)
    scores = []
    for step in steps:
        begins = (places - (start_seconds + float(step))) * clock_ratio
        template = _template(envelopes, schedule, begins)
        # Blocks that reach outside do not count: how the first step fades in is not the schedule's.
        ends = begins + envelopes.widths[:, None] * block * clock_ratio
        inside = (begins >= schedule.edges[0]) & (ends <= schedule.edges[-1])
        energy = float(np.sum(template[inside] ** 2)) * float(np.sum(values[inside] ** 2))
        scores.append(float(np.sum((template * values)[inside])) / max(float(np.sqrt(energy)), 1e-300))
    best = int(np.clip(np.argmax(scores), 1, len(steps) - 2))
    left, middle, right = scores[best - 1 : best + 2]
    curvature = left - 2.0 * middle + right
    offset = 0.5 * (left - right) / curvature if curvature < 0.0 else 0.0
    return float(start_seconds + steps[best] + np.clip(offset, -1.0, 1.0) * block / _FINE)
