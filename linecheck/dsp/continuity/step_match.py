"""Finding when a signal that changes in steps sounds in a longer recording.

Each step is a sum of a few steady tones at known amplitudes. The amplitudes of all tones over time, block by block, are
compared with what they should be, silence just before and after included. What is compared is how they vary: each
tone's own mean is taken off both. So neither the gain nor the polarity matters, nor what sounds all the time (hum,
noise), nor what sounds elsewhere in the recording; a tone that never changes agrees with nothing.

==========================  ===========================================================================
:class:`Schedule`           which tone sounds at which amplitude when
:func:`tone_envelopes`      amplitudes of several tones over time
:func:`telling_seconds`     over how long a time each amplitude has to be taken to tell the tones apart
:func:`find_schedule`       where a schedule starts in envelopes, to about a block
:func:`refine_start`        the same to a fraction of a block
==========================  ===========================================================================
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linecheck.dsp.arrays import FloatArray, IntArray

#: Before and after a schedule so much silence belongs to it. How it fades in and out is not known: where steps tell the
#: start, that has little weight.
GUARD_SECONDS, FADE_REACH_SECONDS, GUARD_WEIGHT = 0.06, 0.012, 0.05
#: Length of a block, nominal: it becomes a whole number of frames.
BLOCK_SECONDS = 0.004
#: No amplitude is taken over longer than this, but for one period of its tone.
MAX_WINDOW_SECONDS = 0.1
#: Starts are tried a block apart, so many either way, until the best is not the last; then this many to a block.
_REACH, _FINE, _MAX_TURNS = 3, 4, 50


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
    tones_hz : float64 array, shape (tones,)
    values : float64 array, shape (tones, blocks)
        Mean amplitude over ``widths`` blocks from each block on; zero where the recording ends before.
    widths : int array, shape (tones,)
        A low tone needs more than a block: at least one of its periods.
    block_seconds : float
    """

    tones_hz: FloatArray
    values: FloatArray
    widths: IntArray
    block_seconds: float

    @property
    def window_seconds(self) -> FloatArray:
        """Over how long a time each tone's amplitude is taken."""
        return np.asarray(self.widths * self.block_seconds, dtype=np.float64)

    @property
    def counts(self) -> IntArray:
        """How many of each tone's amplitudes are whole."""
        counts: IntArray = np.maximum(self.values.shape[1] - self.widths + 1, 0)
        return counts


def telling_seconds(tones_hz: FloatArray, schedule: Schedule) -> FloatArray:
    """Return over how long a time each tone's amplitude is to be taken, so that its neighbours do not show in it.

    At most half of its shortest step.

    Parameters
    ----------
    tones_hz : float64 array, shape (tones,)
        Ascending.
    schedule : Schedule
    """
    if len(tones_hz) < 2:
        return np.zeros(len(tones_hz))
    apart = np.diff(tones_hz)
    nearest = np.minimum(np.append(apart, np.inf), np.insert(apart, 0, np.inf))
    lengths = np.where(schedule.amplitudes > 0.0, np.diff(schedule.edges), np.inf)
    longest = np.minimum(MAX_WINDOW_SECONDS, 0.5 * np.min(lengths, axis=1))
    seconds: FloatArray = np.minimum(1.0 / nearest, longest)
    return seconds


def tone_envelopes(
    values: FloatArray,
    rate_hz: float,
    tones_hz: FloatArray,
    window_seconds: FloatArray | float = 0.0,
) -> Envelopes:
    """Return the amplitudes of several tones over time.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    rate_hz : float
    tones_hz : float64 array, shape (tones,)
    window_seconds : float64 array, shape (tones,), or float
        Over how long a time each is taken at least; a block and a period of the tone in any case.
    """
    hop = max(1, round(BLOCK_SECONDS * rate_hz))
    count = len(values) // hop
    cycles = tones_hz / rate_hz
    turns = np.exp(-2j * np.pi * np.outer(np.arange(hop), cycles))
    table = values[: count * hop].reshape(count, hop)
    starts = np.outer(np.arange(count) * hop, cycles)
    blocks = (table @ turns.real + 1j * (table @ turns.imag)) * np.exp(
        -2j * np.pi * (starts - np.rint(starts))
    )
    least = np.maximum(1.0 / tones_hz, window_seconds)
    widths = np.maximum(1, np.ceil(rate_hz * least / hop - 1e-9)).astype(np.int64)
    result = np.zeros((len(tones_hz), count))
    for tone, width in enumerate(widths):
        if width > count:
            continue
        sums = np.concatenate(([0.0], np.cumsum(blocks[:, tone])))
        result[tone, : count - width + 1] = np.abs(sums[width:] - sums[:-width]) * (2.0 / (hop * width))
    return Envelopes(tones_hz, result, widths, hop / rate_hz)


def _heard(envelopes: Envelopes, schedule: Schedule) -> Schedule:
    """Return a schedule as envelopes show it: each tone's with what other tones leave in it."""
    apart = np.subtract.outer(envelopes.tones_hz, envelopes.tones_hz)
    leak = np.sinc(apart * envelopes.window_seconds[:, None])
    return Schedule(schedule.edges, np.sqrt(leak**2 @ schedule.amplitudes**2))


def _template(
    envelopes: Envelopes, heard: Schedule, begins: FloatArray, clock_ratio: float = 1.0
) -> FloatArray:
    """Return what the envelopes should be in blocks that begin at times of the schedule, shape (tones, blocks)."""
    return np.array(
        [
            heard.means(tone, begins, width * clock_ratio)
            for tone, width in enumerate(envelopes.window_seconds)
        ]
    )


def find_schedule(
    envelopes: Envelopes, schedule: Schedule, guard_seconds: float = GUARD_SECONDS
) -> tuple[float, float]:
    """Return where a schedule's time zero lies in a recording, and how well it is met there.

    Where only a part of it is in the recording, that part is compared; of two places the one is taken where the more
    agrees the better: -n·ln(1 - agreement) of n blocks is what a likelihood ratio comes to.

    Parameters
    ----------
    envelopes : Envelopes
    schedule : Schedule
    guard_seconds : float
        So long a silence before and after it belongs to it.

    Returns
    -------
    start_seconds : float
        Negative where the recording begins later; to about a block.
    agreement : float
        Share of the amplitudes' variance that the schedule explains, 0 to 1.
    """
    block = envelopes.block_seconds
    first = int(np.floor((schedule.edges[0] - guard_seconds) / block)) - int(np.max(envelopes.widths))
    last = int(np.ceil((schedule.edges[-1] + guard_seconds) / block))
    if not envelopes.values.shape[1] or not np.any(envelopes.values):
        return 0.0, 0.0
    begins = np.arange(first, last, dtype=np.float64) * block
    template = _template(envelopes, _heard(envelopes, schedule), begins)
    shifts, agreement = _agreements(envelopes, template)
    inside = np.minimum(shifts + len(begins), envelopes.values.shape[1]) - np.maximum(shifts, 0)
    best = int(np.argmax(-inside * np.log1p(-np.minimum(agreement, 1.0 - 1e-12))))
    return float((shifts[best] - first) * block), float(agreement[best])


def _agreements(envelopes: Envelopes, template: FloatArray) -> tuple[IntArray, FloatArray]:
    """Return at which blocks a template may begin, and how much of the variance it explains there."""
    from scipy.fft import irfft, next_fast_len, rfft

    values, (count, size) = envelopes.values, (envelopes.values.shape[1], template.shape[1])
    length = next_fast_len(count + size, real=True)
    product = np.sum(rfft(values, length, axis=1) * np.conj(rfft(template, length, axis=1)), axis=0)
    # Entry m is the template's first block at block m of the recording; negative m come from the end.
    shifts = np.arange(-size + 1, count)
    covariance = irfft(product, length)[shifts]
    expected, found = np.zeros(len(shifts)), np.zeros(len(shifts))
    for row, there, whole in zip(template, values, envelopes.counts, strict=True):
        low = np.clip(-shifts, 0, size)
        high = np.maximum(np.clip(int(whole) - shifts, 0, size), low)
        here = np.maximum(high - low, 1)
        sums = _between(row, low, high)
        seen = _between(there, low + shifts, high + shifts)
        covariance -= sums * seen / here
        expected += _between(row**2, low, high) - sums**2 / here
        found += _between(there**2, low + shifts, high + shifts) - seen**2 / here
    expected = np.maximum(expected, 1e-6 * np.max(expected))
    found = np.maximum(found, 1e-12 * float(np.sum(values**2)))
    return shifts, np.clip(covariance, 0.0, None) ** 2 / (expected * found)


def _between(values: FloatArray, low: IntArray, high: IntArray) -> FloatArray:
    """Return the sums of values from ``low`` to below ``high``."""
    sums = np.concatenate(([0.0], np.cumsum(values)))
    between: FloatArray = sums[high] - sums[low]
    return between


def refine_start(
    envelopes: Envelopes, schedule: Schedule, start_seconds: float, clock_ratio: float = 1.0
) -> float:
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
    heard, block = _heard(envelopes, schedule), envelopes.block_seconds
    start, scores = start_seconds, np.zeros(0)
    for step, reach in ((block, _REACH), (block / _FINE, _FINE)):
        offsets = np.arange(-reach, reach + 1)
        for _ in range(_MAX_TURNS):
            scores = np.array([_score(envelopes, heard, start + step * int(n), clock_ratio) for n in offsets])
            best = int(np.argmax(scores))
            start += step * int(offsets[best])
            if 0 < best < 2 * reach:
                break
    best = int(np.clip(best, 1, 2 * reach - 1))
    left, middle, right = scores[best - 1 : best + 2]
    curvature = left - 2.0 * middle + right
    offset = 0.5 * (left - right) / curvature if curvature < 0.0 else 0.0
    return float(start + np.clip(offset, -1.0, 1.0) * step)


def _score(envelopes: Envelopes, heard: Schedule, start_seconds: float, clock_ratio: float) -> float:
    """Return the correlation of envelopes with a schedule that starts at a time, each tone's mean taken off both."""
    block, first, last = envelopes.block_seconds, heard.edges[0], heard.edges[-1]
    from_block = int(np.floor((start_seconds + (first - 2.0 * GUARD_SECONDS) / clock_ratio) / block))
    to_block = int(np.ceil((start_seconds + (last + GUARD_SECONDS) / clock_ratio) / block))
    places = np.arange(max(from_block, 0), max(min(to_block, envelopes.values.shape[1]), 0))
    if not len(places):
        return 0.0
    begins = (places * block - start_seconds) * clock_ratio
    template = _template(envelopes, heard, begins, clock_ratio)
    values = envelopes.values[:, places[0] : places[-1] + 1]
    ends = begins + envelopes.window_seconds[:, None] * clock_ratio
    within = (begins >= first + FADE_REACH_SECONDS) & (ends <= last - FADE_REACH_SECONDS)
    weights = np.where(within, 1.0, GUARD_WEIGHT) * (places < envelopes.counts[:, None])
    total = np.maximum(np.sum(weights, axis=1, keepdims=True), 1e-300)
    expected = template - np.sum(weights * template, axis=1, keepdims=True) / total
    found = values - np.sum(weights * values, axis=1, keepdims=True) / total
    energy = float(np.sum(weights * expected**2)) * float(np.sum(weights * found**2))
    return float(np.sum(weights * expected * found)) / max(float(np.sqrt(energy)), 1e-300)
