"""Whether a recording is continuous: nothing lost or repeated. What is held or flattened is found in :mod:`held`.

==========================  ======================================================================
:func:`repeated_blocks`     stretches that are an exact copy of what came just before
:func:`splices`             places where an unknown band-limited signal was cut and joined
:func:`breaks`              places where a deterministic signal jumps in time or goes missing
:func:`level_steps`         the place at which a level, block by block, changes at once and stays
:func:`clicks`              short bursts in what should hold next to nothing
==========================  ======================================================================
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from linecheck.dsp.arrays import FloatArray, IntArray
from linecheck.dsp.fits.tones import ToneFit, fit_lines, fit_scaled_tones, synthesise
from linecheck.dsp.spectra.spectra import find_lines

SMALLEST_JUMP_DEGREES = 0.4
#: Frames: a periodic signal's blocks hold high frequencies, which move far in little time.
SMALLEST_PERIODIC_JUMP = 0.05

_PERIODIC_BLOCK = 256

#: A level changes at once where it does by this share, as so many blocks on either side have it: less (0.004 dB) is
#: below what anybody tells of a level.
SMALLEST_STEP, STEP_BLOCKS = 0.0005, 8

#: Tones that leave more than this, re themselves, are compared with each half of them too.
SPOILT_SHARE = 0.05

#: Lines are looked for in what tones leave up to so many times the lowest one, so many at most, and none so few cycles
#: over the record beside a tone; where less is left, re the tones, no line can sway their lateness or hide a burst.
HUM_REACH, MAX_HUM, BESIDE_CYCLES, MIN_REST = 4.0, 8, 8.0, 5e-5

#: The shortest block that is looked for, frames; the search ends after so many.
SHORTEST_REPEAT, MAX_REPEATS = 48, 20
_WINDOW = 32
_MULTIPLIER = 0x9E3779B97F4A7C15


@dataclass(frozen=True)
class Repeat:
    """``length`` frames from ``start`` are an exact copy of those before them."""

    start: int
    length: int


@dataclass(frozen=True)
class Break:
    """A place where a signal is not continuous.

    ``kind`` is ``jump`` (in time), ``hole`` (missing), ``turn`` (its tones have other phases from there on),
    ``burst``, or ``step`` (of the level).
    """

    kind: str
    frame: int
    size: float


def _hashes(values: FloatArray) -> NDArray[np.uint64]:
    """Return a 64-bit hash of every window of 32 samples, shape (frames - 31,)."""
    words = np.ascontiguousarray(values).view(np.uint64).copy()
    words ^= words >> np.uint64(33)
    words *= np.uint64(0xFF51AFD7ED558CCD)
    words ^= words >> np.uint64(33)
    # Doubling: a hash of 2^k samples from two of 2^(k-1). Arithmetic wraps modulo 2^64.
    factor, span = _MULTIPLIER, 1
    while span < _WINDOW:
        words = words[: len(words) - span] * np.uint64(factor) + words[span:]
        factor, span = (factor * factor) % 2**64, 2 * span
    return words


def repeated_blocks(values: FloatArray) -> tuple[Repeat, ...]:
    """Find stretches that are an exact copy of the stretch of the same length just before them.

    A driver that plays or delivers a buffer twice leaves one; noise and dither make it impossible otherwise. Constant
    stretches and signals that repeat throughout (an undithered tone of a short period) are no repeats.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    """
    if len(values) < 4 * SHORTEST_REPEAT:
        return ()
    # Equal windows are found by sorting hashes, n log n whatever the lag: comparing the record with itself at every lag
    # is n², and a correlation finds what is alike too, as any tone is with itself a period later.
    hashes = _hashes(values)
    later, earlier = _same_windows(hashes)
    if not len(later):
        return ()
    changes = np.concatenate(([0], np.cumsum(np.diff(values) != 0.0)))
    moving = changes[later + _WINDOW - 1] > changes[later]
    lag_of = np.zeros(len(hashes), dtype=np.int64)
    lag_of[later] = np.where(moving, later - earlier, 0)
    edges = np.flatnonzero(np.diff(np.concatenate(([0], lag_of, [0]))))
    found = []
    for start, stop in itertools.pairwise(edges):
        lag = int(lag_of[start])
        length = int(stop - start) + _WINDOW - 1
        fits = SHORTEST_REPEAT <= lag <= length + 2 and length < min(8 * lag, 0.8 * len(values))
        # A periodic signal in coarse steps agrees with itself at its period elsewhere too, not here alone.
        if fits and _agreement(values, lag, int(start), length) < 0.5:
            found.append(Repeat(int(start), length))
        if len(found) == MAX_REPEATS:
            break
    return tuple(found)


def _same_windows(hashes: NDArray[np.uint64]) -> tuple[IntArray, IntArray]:
    """Return where windows begin that were seen before, and where they were seen last.

    Sorted are the windows whose hash is even, the same ones in a copy as in its original; the others are looked at only
    where one of these has come back.
    """
    chosen = np.flatnonzero((hashes & np.uint64(1)) == 0)
    ascending = np.sort(hashes[chosen])
    if not np.any(ascending[1:] == ascending[:-1]):
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    order = np.argsort(hashes, kind="stable")
    same = hashes[order[1:]] == hashes[order[:-1]]
    return order[1:][same], order[:-1][same]


def _agreement(values: FloatArray, lag: int, start: int, length: int) -> float:
    """Return the share of samples that equal those a lag before: of all, or near or around a stretch, if greater."""
    same = values[lag:] == values[:-lag]
    first, last = max(0, start - lag), max(0, start - lag) + length
    shares = [float(np.mean(same))]
    for reach in (length, 16 * length):
        beside = np.concatenate((same[max(0, first - reach) : first], same[last + 1 : last + 1 + reach]))
        shares.append(float(np.mean(beside)) if len(beside) else 0.0)
    return max(shares)


def breaks(values: FloatArray, frequencies: FloatArray) -> tuple[Break, ...]:
    """Find where a sum of steady tones is broken.

    The whole record is fitted; then, block by block, how much the signal is late (``jump``) and how much of it is there
    (``hole``); what is left over in short bursts is a ``burst``: a few samples lost, held or strange. A single tone
    also tells where its level changes at once by less than a hole does (``step``).

    A jump counts from 0.4° of the slowest tone on: at 997 Hz a lost sample is 1.9° at 192 kHz, 8.1° at 44.1 kHz, and a
    lost millisecond 1.1° (at 1 kHz it would be none).

    Parameters
    ----------
    values : float64 array, shape (frames,)
    frequencies : float64 array, shape (tones,)
        Cycles per frame, as found; fitted again here.
    """
    tones = frequencies
    if len(frequencies) == 1:
        highest = max(1, min(10, int(0.49 / float(frequencies[0]))))
        tones = frequencies[0] * np.arange(1, highest + 1)
    fit, residual = fit_scaled_tones(values, tones, iterations=3)
    model = values - residual
    level = float(np.sqrt(np.mean(model**2)))
    if float(np.std(residual)) > MIN_REST * level:
        residual = _without_hum(residual, fit.frequencies, float(frequencies[0]))
        values = model + residual
    period = 1.0 / float(frequencies[0])
    block = round(max(period, 64.0, min(3.0 * period, len(values) / 24)))
    smallest = SMALLEST_JUMP_DEGREES / 360.0 * period
    slope = _slope(fit, len(values))
    found = _jumps_and_holes(values, model, slope, block, smallest)
    if not found and len(frequencies) == 1:
        gain, late = _gain_and_lateness(values, model, slope, block)
        # The length of both: a clock that wanders turns the tone away from the model, and changes no level.
        found = level_steps(np.hypot(gain, 2.0 * np.pi * float(frequencies[0]) * late), block)
    if not found and float(np.std(residual)) > SPOILT_SHARE * level:
        found = _breaks_of_halves(values, fit.frequencies, block, smallest)
    return found or _bursts(residual, np.sqrt(2.0) * level, block, to_ends=True)


def level_steps(gain: FloatArray, block: int) -> tuple[Break, ...]:
    """Find where a gain, block by block, changes at once and stays: the largest such step.

    Straight lines through the blocks on either side of a place are drawn up to it: of what settles or drifts they leave
    next to nothing, of a step all. Eight times the usual spread is beyond chance (below 1e-8 in a record of a thousand
    blocks, were the spread told only to a fifth), and what comes again and again is part of the usual.
    """
    if len(gain) < 16 * STEP_BLOCKS:
        return ()
    # Of a line through n points, what it says half a step beyond its end: weights from least squares.
    places = np.arange(STEP_BLOCKS) - 0.5 * (STEP_BLOCKS - 1)
    ahead = 1.0 / STEP_BLOCKS + 0.5 * STEP_BLOCKS * places / np.sum(places**2)
    before = np.convolve(gain, ahead[::-1], mode="valid")
    after = np.convolve(gain, ahead, mode="valid")
    step = after[STEP_BLOCKS:] - before[:-STEP_BLOCKS]
    off = np.abs(step - np.median(step))
    place = int(np.argmax(off))
    # A clock that leaps now and then moves a few blocks by far more than is usual: that counts by what it does to the
    # spread from block to block, to which a single step adds next to nothing.
    spread = max(1.4826 * float(np.median(off)), float(np.std(np.diff(gain))) / np.sqrt(2.0))
    if off[place] <= max(SMALLEST_STEP * abs(float(np.median(gain))), 8.0 * spread):
        return ()
    return (Break("step", (place + STEP_BLOCKS) * block, float(step[place] / np.median(gain))),)


def _slope(fit: ToneFit, frames: int) -> FloatArray:
    """Return the change per frame of fitted tones."""
    return synthesise(frames, fit.frequencies, 2j * np.pi * fit.frequencies * fit.amplitudes)


def _breaks_of_halves(
    values: FloatArray, tones: FloatArray, block: int, smallest: float
) -> tuple[Break, ...]:
    """Find where a sum of steady tones is not what the first or the last half of it says.

    Where so much is lost that the tones meet again at any angles, a fit of the whole is one of nothing: every block is
    as wrong as the next. One half at least is whole.
    """
    frames, half = len(values), len(values) // 2
    for first in (0, frames - half):
        fit, _ = fit_scaled_tones(values[first : first + half], tones, iterations=3)
        later = 0.5 * (frames - 1) - (first + 0.5 * (half - 1))
        turned = replace(fit, amplitudes=fit.amplitudes * np.exp(2j * np.pi * fit.frequencies * later))
        model = synthesise(frames, turned.frequencies, turned.amplitudes, turned.constant)
        fitted = slice(first // block, (first + half) // block)
        found = _jumps_and_holes(values, model, _slope(turned, frames), block, smallest, fitted)
        if found:
            # Wrong is what is on the other side of the break from the half that was fitted.
            nearest = found[-1] if first else found[0]
            return (Break("turn", nearest.frame, nearest.size),)
    return ()


def _without_hum(residual: FloatArray, tones: FloatArray, pace: float) -> FloatArray:
    """Take steady lines out of what tones leave, up to a few times the lowest or the pace.

    Block by block hum sways as lateness does. Beside a tone it is the tone's own break that looks like a line.
    """
    top = min(0.49, max(HUM_REACH * float(np.min(tones)), 0.8 * pace))
    lines = find_lines(residual, 1.0, 3.0 / len(residual), top, most=12)
    alone = (
        np.min(np.abs(np.subtract.outer(lines, tones)), axis=1, initial=1.0) * len(residual) > BESIDE_CYCLES
    )
    return fit_lines(residual, lines[alone][:MAX_HUM])[1] if np.any(alone) else residual


def breaks_of_period(values: FloatArray, half_period: float) -> tuple[Break, ...]:
    """Find where a signal that is its own negative half a period later is broken.

    Every stretch is compared with the one half a period before, so that a break shows where it is, and once more half a
    period later. The cost is that of four transforms, whatever the number of lines.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    half_period : float
        Frames, a fraction included.
    """
    from scipy.fft import prev_fast_len

    frames = prev_fast_len(len(values), real=True)
    if frames < 2 * int(half_period) + 16 * _PERIODIC_BLOCK:
        return ()
    for _ in range(3):
        signal, model, slope = _half_period_apart(values[:frames], half_period)
        _, lateness = _gain_and_lateness(signal, model, slope, _PERIODIC_BLOCK)
        # A break spoils the clock ratio that the period comes from, but not the lateness of most blocks.
        usual = float(np.median(lateness))
        if abs(usual) < 0.2 * SMALLEST_PERIODIC_JUMP:
            break
        half_period += float(np.clip(usual, -2.0, 2.0))
    found = _jumps_and_holes(signal, model, slope, _PERIODIC_BLOCK, SMALLEST_PERIODIC_JUMP)
    return found or _bursts(signal - model, float(np.sqrt(2.0 * np.mean(model**2))), _PERIODIC_BLOCK)


def _half_period_apart(values: FloatArray, half_period: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return a signal, the negative of what it was half a period before, and the slope of that."""
    from scipy.fft import irfft, rfft
    from scipy.special import erfc

    frames, whole = len(values), int(half_period)
    cycles = np.arange(frames // 2 + 1) / frames
    # With no sharp edge at half the rate, what the transform's wrap does at the ends dies away within a block.
    spectrum = rfft(values) * (0.5 * erfc((cycles - 0.45) / 0.01))
    delayed = spectrum * np.exp(-2j * np.pi * cycles * (half_period - whole))
    clear = slice(_PERIODIC_BLOCK, frames - whole - _PERIODIC_BLOCK)
    model = -irfft(delayed, frames)[clear]
    slope = -irfft(2j * np.pi * cycles * delayed, frames)[clear]
    signal = irfft(spectrum, frames)[whole:][clear]
    return signal - np.mean(signal), model - np.mean(model), slope


def breaks_of_model(values: FloatArray, model: FloatArray) -> tuple[Break, ...]:
    """Find where a signal is not what a model of it says: missing for a while, or strange for a few samples."""
    block = _PERIODIC_BLOCK
    count = len(values) // block
    if count < 8:
        return ()
    signal, there, rest = (
        part[: count * block].reshape(count, block) for part in (values, model, values - model)
    )
    energy = np.maximum(np.sum(there**2, 1), 1e-300)
    gain = np.sum(signal * there, 1) / energy
    off = np.abs(gain - np.median(gain))
    spread = 1.4826 * float(np.median(off))
    # Where a slow signal passes through zero a block has little of it, and noise is most of its gain.
    noise = 1.4826 * float(np.median(np.abs(rest))) / np.sqrt(energy)
    found = [
        Break("hole", int(index * block), float(gain[index] - np.median(gain)))
        for index in np.flatnonzero((off > 0.1) & (off > 8.0 * np.maximum(spread, noise)))
    ]
    if found:
        return tuple(found)
    # Harmonics of a signal that rises through all frequencies end at once where the band does.
    return _bursts(values - model, float(np.sqrt(2.0 * np.mean(model**2))), block, times_usual=4.0)


def _jumps_and_holes(
    values: FloatArray,
    model: FloatArray,
    slope: FloatArray,
    block: int,
    smallest: float,
    fitted: slice = slice(None),
) -> tuple[Break, ...]:
    """Compare signal and model block by block: where its gain or its lateness changes at once.

    What is usual is told from the blocks that the model was fitted to: where nearly half of the others are wrong, their
    own spread would hide them.
    """
    if len(values) // block < 8:
        return ()
    gain, lateness = _gain_and_lateness(values, model, slope, block)
    found: list[Break] = []
    step = lateness[2:] - lateness[:-2]
    # Blocks of a tone carry little of it where its energy is low; the spread of the steps themselves is the yardstick.
    centre = float(np.median(step[fitted]))
    off = np.abs(step - centre)
    spread = 1.4826 * float(np.median(off[fitted]))
    for index in np.flatnonzero((off > smallest) & (off > 8.0 * spread)):
        found.append(Break("jump", int((index + 1) * block), float(step[index] - centre)))
    middle = float(np.median(gain[fitted]))
    off = np.abs(gain - middle)
    spread = 1.4826 * float(np.median(off[fitted]))
    for index in np.flatnonzero((off > 0.1 * abs(middle)) & (off > 8.0 * spread)):
        found.append(Break("hole", int(index * block), float(gain[index] - middle)))
    return tuple(sorted(found, key=lambda entry: entry.frame))


def _gain_and_lateness(
    values: FloatArray, model: FloatArray, slope: FloatArray, block: int
) -> tuple[FloatArray, FloatArray]:
    """Return a signal's gain and lateness (frames) block by block, by least squares on the model and its slope."""
    count = len(values) // block
    shape = (count, block)
    signal, there, late = (part[: count * block].reshape(shape) for part in (values, model, slope))
    # Offsets and slow drifts (a coupling capacitor settling) are no lateness.
    signal, there, late = (_straightened(part) for part in (signal, there, late))
    aa, bb, ab = np.sum(there**2, 1), np.sum(late**2, 1), np.sum(there * late, 1)
    xa, xb = np.sum(signal * there, 1), np.sum(signal * late, 1)
    determinant = np.maximum(aa * bb - ab**2, 1e-300)
    return (xa * bb - xb * ab) / determinant, -(xb * aa - xa * ab) / determinant


def _straightened(table: FloatArray) -> FloatArray:
    """Take mean and straight-line trend from every row."""
    line = np.arange(table.shape[1]) - 0.5 * (table.shape[1] - 1)
    line /= np.sqrt(np.sum(line**2))
    centred = table - np.mean(table, axis=1, keepdims=True)
    result: FloatArray = centred - np.outer(centred @ line, line)
    return result


def clicks(residual: FloatArray, amplitude: float, block: int) -> tuple[Break, ...]:
    """Find isolated short bursts in what is left of a record without its tones.

    Parameters
    ----------
    residual : float64 array, shape (frames,)
    amplitude : float
        A burst counts from a thousandth of it on.
    block : int
        Frames; bursts in one block in ten and more are the unit's noise, and those of its first and last are not seen.
    """
    return _bursts(residual, amplitude, block)


def _bursts(
    residual: FloatArray, amplitude: float, block: int, times_usual: float = 3.0, *, to_ends: bool = False
) -> tuple[Break, ...]:
    """Find isolated short bursts in what a fit leaves; what comes in every block is the unit's distortion.

    In the first block and the last only where a fit is as good there as elsewhere (``to_ends``): what was narrowed or
    filtered is not.
    """
    from scipy.ndimage import uniform_filter1d

    smooth = uniform_filter1d(residual, block, mode="constant")
    if to_ends and len(residual) >= 2 * block:
        _bend_to_ends(smooth, residual, block)
    sharp = np.abs(residual - smooth)
    typical = 1.4826 * float(np.median(sharp))
    whole = sharp[: len(sharp) // block * block].reshape(-1, block)
    # Pulses that come again and again are the unit's noise: a burst stands far above what nine blocks in ten reach.
    usual = float(np.percentile(np.max(whole, axis=1), 90.0)) if len(whole) else 0.0
    places = np.flatnonzero(sharp > max(12.0 * typical, times_usual * usual, 0.001 * amplitude))
    if not to_ends:
        places = places[(places >= block) & (places < len(residual) - block)]
    blocks = np.unique(places // block)
    if not len(blocks) or len(blocks) > 0.1 * len(residual) / block:
        return ()
    first = [int(places[np.searchsorted(places, entry * block)]) for entry in blocks]
    return tuple(Break("burst", frame, float(sharp[frame])) for frame in first)


def _bend_to_ends(smooth: FloatArray, values: FloatArray, block: int) -> None:
    """Replace a running mean over a block, where it is not whole, by a parabola through the first and last block."""
    half = block // 2 + 1
    parabola = np.polynomial.legendre.legvander(np.linspace(-1.0, 1.0, block), 2)
    parabola = np.linalg.qr(parabola)[0]
    smooth[:half] = (parabola @ (parabola.T @ values[:block]))[:half]
    smooth[-half:] = (parabola @ (parabola.T @ values[-block:]))[-half:]


def splices(values: FloatArray, rate_hz: float, *, most: int = 20) -> tuple[int, ...]:
    """Find where a recording of an unknown signal was cut and joined, or where single samples are strange.

    A join is a step within one sample, with energy up to half the rate; what comes out of a converter, clicks of the
    programme included, is smooth where the recording's rate is several times the converter's. Eighth differences leave
    0.06 of a tone at 22 kHz in a recording at 192 kHz and 35 times a step. A join also stands alone, by 24 dB over all
    that is within 2 ms of it, which the steps of a converter without a filter do not.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    rate_hz : float
        At least four times that of the converter that played it.
    most : int
        The search ends after so many.

    Returns
    -------
    tuple of int
        The frames, ascending.
    """
    block = 8
    rough = np.abs(np.diff(values, 8))
    count = len(rough) // block
    around = round(0.002 * rate_hz / block)
    if count < 4 * around:
        return ()
    highest = np.max(rough[: count * block].reshape(count, block), axis=1)
    usual = float(np.median(highest))
    found: list[int] = []
    for place in np.flatnonzero(highest > 16.0 * usual):
        before, after = (
            highest[max(0, place - around) : max(0, place - 2)],
            highest[place + 3 : place + around],
        )
        beside = max(float(np.max(before, initial=0.0)), float(np.max(after, initial=0.0)))
        near = highest[max(0, place - 2) : place + 3]
        if highest[place] == np.max(near) and highest[place] > 16.0 * beside:
            found.append(int(place) * block + 4)
        if len(found) == most:
            break
    return tuple(found)
