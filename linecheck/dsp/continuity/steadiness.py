"""Whether noise and hum go on as they are: what no known signal can tell of a recording of silence.

==========================  ======================================================================
:func:`uneven_stretch`      a stretch whose noise is stronger or weaker than the rest
:func:`hum_step`            a place where steady low lines do not go on as they were
==========================  ======================================================================
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from linecheck.dsp.arrays import ComplexArray, FloatArray

#: Noise is compared in blocks of this length, of so many at least; a running mean over so long is taken off before, so
#: that nothing is left of hum (at 250 Hz 34 dB less) and noise is as good as whole from 3 kHz on.
BLOCK_SECONDS, MIN_BLOCKS, MEAN_SECONDS = 0.006, 16, 3e-4
#: A block counts as no stronger than so many of the usual spread above what is usual: a click does not make a stretch.
CLICK_SPREADS = 3.0
#: A stretch stands out from so many standard deviations on. With all stretches of all records of 1 s tried (some 1500,
#: most of them alike) chance gives 6 in fewer than one record in 100 000.
DEVIATIONS = 6.0
#: Noise wanders a little by itself: a stretch that changes the mean power of the whole by less (0.04 dB) is none, but
#: for one in which so little is left of it that it has stopped.
MATTERS, STOPPED = 0.01, 0.35

#: Hum on either side of a place is compared over so many periods, and the power of what differs counts from this share
#: of the hum's own on: a turn by 0.35 rad. Mains wander by less in a quarter of a second.
SPANS, TURNED = (2, 4, 8, 12), 0.12
#: Of five products' complex differences, and all places and spans of a record tried, chance gives this many times what
#: is usual in fewer than one record in a million: chi-squared with 10 degrees of freedom, 60 where 10 are usual.
TIMES_CHANCE = 6.0
#: What stands out by so many times the usual modulus, six standard deviations of noise, is a click and counts no more.
CLICK_TIMES = 9.0


class Uneven(NamedTuple):
    """A stretch of noise: its frames, and its power re the rest's."""

    start: int
    stop: int
    times: float


def uneven_stretch(values: FloatArray, rate_hz: float) -> Uneven | None:
    """Return the stretch of noise that stands out most by its power; None where none does by more than chance.

    Every stretch of 1, 2, 4, … blocks, up to half of all, is held against the rest. What is usual and how much it
    scatters come from the noise itself, the scatter from block to block, so that no step or stretch is part of it, and
    never below what white noise has.

    Of a second at 48 kHz half is told from 0.4 dB on, half the time, and from 0.55 dB nearly always; of two channels
    that change together from 0.3 dB and 0.4 dB.

    Parameters
    ----------
    values : float64 array, shape (frames,) or (channels, frames)
        Of several channels what they have in common counts: each has the same weight.
    rate_hz : float
    """
    from scipy.ndimage import uniform_filter1d

    block = round(BLOCK_SECONDS * rate_hz)
    rows = np.atleast_2d(values)
    count = rows.shape[1] // block
    if count < MIN_BLOCKS:
        return None
    rough = rows - uniform_filter1d(rows, 2 * round(0.5 * MEAN_SECONDS * rate_hz) + 1)
    power = np.mean(rough[:, : count * block].reshape(len(rows), count, block) ** 2, axis=2)
    usual = np.median(power, axis=1, keepdims=True)
    if not np.all(usual > 0.0):
        return None
    power = np.mean(power / usual, axis=0)
    white = np.sqrt(2.0 / (block * len(rows)))
    # The mean modulus of a normal deviate's difference from another is 2 / sqrt(pi) of its standard deviation.
    differences = np.abs(np.diff(np.minimum(power, 1.0 + CLICK_SPREADS * white)))
    spread = max(float(white), 0.5 * float(np.sqrt(np.pi)) * float(np.mean(differences)))
    capped = np.minimum(power, 1.0 + CLICK_SPREADS * spread)
    sums = np.concatenate(([0.0], np.cumsum(capped)))
    found, most = None, DEVIATIONS
    length = 1
    while length <= count // 2:
        inside = (sums[length:] - sums[:-length]) / length
        outside = (sums[-1] - length * inside) / (count - length)
        off = np.abs(inside - outside)
        deviations = off / (spread * np.sqrt(1.0 / length + 1.0 / (count - length)))
        deviations[(off * length < MATTERS * count) & (inside > STOPPED)] = 0.0
        place = int(np.argmax(deviations))
        if deviations[place] > most:
            most = float(deviations[place])
            # As it is, not as it was capped.
            own = slice(place, place + length)
            times = float(np.mean(power[own]) / np.mean(np.delete(power, own)))
            found = Uneven(place * block, (place + length) * block, times)
        length *= 2
    return found


def hum_step(values: FloatArray, frequencies: FloatArray) -> int | None:
    """Return the frame at which steady lines turn or change at once; None where they do not by more than chance.

    Block by block, one period of the slowest, each line's complex amplitude is taken; means over some blocks before and
    after a place should be the same. What chance makes of their difference comes from each line's own scatter from
    block to block.

    Parameters
    ----------
    values : float64 array, shape (frames,)
        With no strong line but these, and no constant.
    frequencies : float64 array, shape (lines,)
        Cycles per frame, as fitted.
    """
    if not len(frequencies):
        return None
    block = round(1.0 / float(np.min(frequencies)))
    count = len(values) // block
    if count < 2 * SPANS[-1]:
        return None
    most = CLICK_TIMES * float(np.median(np.abs(values)))
    turns = _amplitudes(np.clip(values[: count * block], -most, most), frequencies, block)
    # The median of an exponential deviate is ln 2 of its mean.
    scatter = np.median(np.abs(np.diff(turns, axis=1)) ** 2, axis=1) / (2.0 * np.log(2.0))
    if not np.all(scatter > 0.0):
        return None
    hum = float(np.sum(np.abs(np.mean(turns, axis=1)) ** 2))
    sums = np.concatenate((np.zeros((len(turns), 1)), np.cumsum(turns, axis=1)), axis=1)
    for span in SPANS:
        means = (sums[:, span:] - sums[:, :-span]) / span
        differs = np.abs(means[:, span:] - means[:, :-span]) ** 2
        chance = np.mean(differs / (2.0 / span * scatter[:, None]), axis=0)
        power = np.sum(differs, axis=0)
        beyond = np.where(power > TURNED * hum, chance, 0.0)
        place = int(np.argmax(beyond))
        if beyond[place] > TIMES_CHANCE:
            return (place + span) * block
    return None


def _amplitudes(values: FloatArray, frequencies: FloatArray, block: int) -> ComplexArray:
    """Return lines' complex amplitudes block by block, re one moment, shape (lines, blocks)."""
    table = values.reshape(-1, block)
    frames = np.arange(block)
    inner = np.exp(-2j * np.pi * np.outer(frames, frequencies)) * (2.0 / block)
    outer = np.exp(-2j * np.pi * np.outer(frequencies * block, np.arange(len(table))))
    return np.asarray((table @ inner).T * outer)
