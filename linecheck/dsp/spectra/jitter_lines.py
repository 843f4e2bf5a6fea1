"""The jitter test signal's own lines: taking them out of what came back, and a stretch that is lost of them.

A stretch of a multiple of four frames leaves the tone at a quarter of the rate as it was: it shows only in the square
wave of the lowest bit, of 192 frames, which is then earlier by so much from there on. A multiple of 192 frames leaves
no trace at all.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from linecheck.dsp.arrays import ComplexArray, FloatArray, IntArray
from linecheck.dsp.jitter_sequence import CARRIER_ORDER, CYCLE, SquareLines
from linecheck.dsp.spectra.demodulate import Baseband
from linecheck.dsp.spectra.windows import BLACKMAN_HARRIS, blackman_harris

#: The noise at a line is that of the bins so far from it.
AROUND = (6, 30)
#: A line differs from the known one by this many standard deviations of the noise …
MIN_DEVIATIONS = 5.5
#: … and by this share of it: a unit's response is not flat, nor its delay the same everywhere.
MIN_SHARE = 0.15
#: So far from the carrier (units of rate/192) a line's phase can be foretold well; so far at all.
NEAR, WIDE = 24, 40
#: Where a delay alone leaves more than this (rad), and so many lines show, the phase bends as a polynomial does.
BENT, PLENTY, DISPERSION_DEGREE = 0.02, 24, 4
#: Where a line stands on a known one whose phase is known too, this share of that one remains in doubt.
DOUBT_SHARE = 0.05
#: The record is cut into so many pieces, which overlap by half.
PIECES = 32
#: Harmonics up to this one of the square wave count: nearly all of its power, clear of the tone.
HIGHEST_ORDER = 39
#: A line counts for no more than so many times what it should be: another signal may lie there.
MAX_OF_A_LINE = 1.5
#: A step is there from so many standard deviations on, where …
STEP_DEVIATIONS = 8.0
#: … of at least so many lines, each so many times the noise, that share agrees with it, within so much (rad).
MIN_LINES, CLEAR, MIN_AGREEMENT, AGREES = 5, 4.0, 0.8, 0.6


@dataclass(frozen=True)
class Known:
    """Where the stimulus's own lines are.

    Offsets (Hz, negative below the carrier), the amplitude of each that may remain, and how close counts as there (Hz).
    """

    offsets_hz: FloatArray
    doubt: FloatArray
    within_hz: float


def without_known_lines(
    envelope: Baseband, lines: SquareLines, upper_reach_hz: float, lower_reach_hz: float
) -> tuple[Baseband, Known]:
    """Take the square wave's lines out of an envelope.

    Their frequencies and levels are known. Their phases are too, near the carrier, once the place of the square wave
    has been found from those that stand as they should. A line that is stronger there than it may be, or of another
    phase, keeps what goes beyond.

    Parameters
    ----------
    envelope : Baseband
    lines : SquareLines
    upper_reach_hz, lower_reach_hz : float
        How far each side of the carrier is of interest.
    """
    spacing = envelope.carrier_hz / CARRIER_ORDER
    places: FloatArray = np.asarray(lines.offsets * spacing, dtype=np.float64)
    inside = (places <= upper_reach_hz) & (-places <= lower_reach_hz)
    offsets, ratios, places = lines.offsets[inside], lines.ratios[inside], places[inside]
    frequencies: FloatArray = places / envelope.rate_hz
    came = _windowed_sums(envelope.values - 1.0, frequencies)
    spread = np.sqrt(_noise(envelope, places))
    expected = _expected(offsets, ratios, came, spread)
    share, doubt = _shares(offsets, ratios, came, spread, expected)
    left: ComplexArray = envelope.values - _sum_of_turns(len(envelope.values), frequencies, share)
    return replace(envelope, values=left), Known(places, doubt, 1.0 / envelope.seconds)


def _windowed_sums(values: ComplexArray, frequencies: FloatArray) -> ComplexArray:
    """Return complex amplitudes under a window of low side lobes, time zero in the middle."""
    from linecheck.dsp.fits.tones import project

    windowed = values * blackman_harris(len(values))
    sums = project(np.ascontiguousarray(windowed.real), frequencies) + 1j * project(
        np.ascontiguousarray(windowed.imag), frequencies
    )
    return np.asarray(sums / (BLACKMAN_HARRIS[0] * len(values)))


def _sum_of_turns(samples: int, frequencies: FloatArray, amplitudes: ComplexArray) -> ComplexArray:
    """Return the sum of complex lines, time zero in the middle."""
    block = 1 << round(np.log2(max(64.0, samples**0.5)))
    count = -(-samples // block)
    starts = np.arange(count, dtype=np.float64) * block - 0.5 * (samples - 1)
    inner = np.outer(frequencies, np.arange(block, dtype=np.float64))
    outer = np.outer(starts, frequencies)
    outer -= np.rint(outer)
    table = (np.exp(2j * np.pi * outer) * amplitudes) @ np.exp(2j * np.pi * inner)
    return np.asarray(table.reshape(-1)[:samples])


def _noise(envelope: Baseband, places: FloatArray) -> FloatArray:
    """Return the mean square that noise leaves in each windowed sum: from the bins on both sides, lines left out."""
    from scipy.fft import fft

    samples = len(envelope.values)
    transform = fft((envelope.values - 1.0) * blackman_harris(samples))
    power = (transform.real**2 + transform.imag**2) / (BLACKMAN_HARRIS[0] * samples) ** 2
    gaps = np.concatenate((np.arange(-AROUND[1], -AROUND[0]), np.arange(AROUND[0] + 1, AROUND[1] + 1)))
    bins = np.rint(places * envelope.seconds).astype(np.int64)
    # The median of an exponential distribution is ln 2 of its mean.
    return np.asarray(np.median(power[np.add.outer(bins, gaps) % samples], axis=1) / np.log(2.0))


def _expected(
    offsets: IntArray, ratios: ComplexArray, came: ComplexArray, spread: FloatArray
) -> ComplexArray | None:
    """Return the lines at the square wave's place in time; None where too few of them show to find it."""
    size = np.abs(came) / np.abs(ratios)
    usable = (np.abs(came) > 5.0 * spread) & (size > 0.7) & (size < 1.4)
    if np.count_nonzero(usable) < 6:
        return None
    turned = came[usable] / ratios[usable]
    turned /= np.abs(turned)
    delays = np.arange(0.0, CYCLE, 0.125)
    fit = np.real(np.exp(2j * np.pi / CYCLE * np.outer(delays, offsets[usable])) @ turned)
    delay = float(delays[int(np.argmax(fit))])
    steps = offsets / float(WIDE)
    turns = -2.0 * np.pi / CYCLE * delay * offsets
    powers = np.arange(1, 2)
    for reach in (NEAR, NEAR, WIDE, WIDE):
        # A filter delays not all frequencies alike; what stands on the carrier itself turns as the carrier does.
        left = np.angle(turned * np.exp(-1j * turns[usable]))
        near = (np.abs(left) < 0.5) & (np.abs(offsets[usable]) <= reach)
        if np.count_nonzero(near) < 4:
            return None
        if reach == WIDE and np.median(np.abs(left[near])) > BENT and np.count_nonzero(near) >= PLENTY:
            powers = np.arange(1, 1 + DISPERSION_DEGREE)
        basis = steps[:, None] ** powers
        bend = np.linalg.lstsq(basis[usable][near], left[near], rcond=None)[0]
        turns = turns + basis @ bend
    return np.asarray(ratios * np.exp(1j * turns))


def _shares(
    offsets: IntArray,
    ratios: ComplexArray,
    came: ComplexArray,
    spread: FloatArray,
    expected: ComplexArray | None,
) -> tuple[ComplexArray, FloatArray]:
    """Return how much of each line is the stimulus's own, and how much of it remains in doubt."""
    size = np.abs(ratios)
    own = came * np.minimum(1.0, size / np.maximum(np.abs(came), 1e-300))
    doubt = size.copy()
    least = np.maximum(MIN_DEVIATIONS * spread, MIN_SHARE * size)
    if expected is not None:
        # Far off the phase may be another; there a line must be too strong before its phase counts.
        told = (np.abs(offsets) <= NEAR) | ((np.abs(offsets) <= WIDE) & (np.abs(came - own) > least))
        own[told], doubt[told] = expected[told], DOUBT_SHARE * size[told]
    beyond = np.abs(came - own) > least
    # What lies in the noise is left there; what is as it should be goes, with the noise on it.
    share = np.where(beyond, own, np.where(size > spread, came, 0.0))
    return share, np.where(beyond, doubt, 0.0)


class SquareStep(NamedTuple):
    """Where the square wave steps in time: seconds from the record's beginning, and by how many frames (1 … 191)."""

    seconds: float
    frames: int


def square_step(envelope: Baseband, lines: SquareLines, lower_reach_hz: float) -> SquareStep | None:
    """Find where the square wave of a jitter test signal steps by a multiple of four frames.

    Every way to cut the record in two is tried: the lines' phases after the cut over those before it must turn with
    their order as a step makes them. None where the wave does not stand above the noise, or does not step.

    Parameters
    ----------
    envelope : Baseband
        Of the tone, with the square wave in it.
    lines : SquareLines
    lower_reach_hz : float
        How far below the tone it goes.
    """
    spacing = envelope.carrier_hz / CARRIER_ORDER
    lowest = int(np.ceil(CARRIER_ORDER - lower_reach_hz / spacing))
    orders = np.arange(max(1, lowest) | 1, HIGHEST_ORDER + 1, 2)
    if len(orders) < 2:
        return None
    # Between the lines, at even orders, nothing of the stimulus lies: there the noise is.
    places = np.concatenate((orders, orders + 1)) - CARRIER_ORDER
    frequencies: FloatArray = np.asarray(places * (spacing / envelope.rate_hz), dtype=np.float64)
    pieces = _pieces(envelope.values - 1.0, frequencies)
    came, between = pieces[:, : len(orders)], pieces[:, len(orders) :]
    noise = np.maximum(np.median(np.abs(between) ** 2, axis=0) / np.log(2.0), 1e-30)
    size = MAX_OF_A_LINE * np.abs(lines.ratios[np.searchsorted(lines.offsets, orders - CARRIER_ORDER)])
    best = _best(came, noise, size, orders)
    if best is None:
        return None
    # Between the middles of the two pieces after that one.
    return SquareStep((best[0] + 2.5) / (PIECES + 1) * envelope.seconds, best[1])


def _pieces(values: ComplexArray, frequencies: FloatArray) -> ComplexArray:
    """Return complex amplitudes in overlapping pieces under a Hann window, phases re the record's beginning."""
    hop = len(values) // (PIECES + 1)
    window = 0.5 - 0.5 * np.cos(np.pi * np.arange(2 * hop) / hop)
    turn = np.exp(-2j * np.pi * np.outer(np.arange(2 * hop), frequencies)) * (window / hop)[:, None]
    table = np.lib.stride_tricks.sliding_window_view(values[: hop * (PIECES + 1)], 2 * hop)[::hop]
    cycles = np.outer(np.arange(PIECES) * hop, frequencies)
    return np.asarray((table @ turn) * np.exp(-2j * np.pi * (cycles - np.rint(cycles))))


def _best(
    came: ComplexArray, noise: FloatArray, size: FloatArray, orders: IntArray
) -> tuple[int, int] | None:
    """Return after which piece the lines step most clearly, and by how many frames; None where they do not."""
    sums = np.cumsum(came, axis=0)
    # The two pieces in which the step lies count on neither side: the tone steps a little too.
    count = np.arange(1, PIECES - 2, dtype=np.float64)[:, None]
    left = PIECES - 2 - count
    before, after = sums[:-3] / count, (sums[-1] - sums[2:-1]) / left
    before, after = (
        part * np.minimum(1.0, size / np.maximum(np.abs(part), 1e-30)) for part in (before, after)
    )
    # Pieces that overlap by half share a sixth of their noise.
    less, more = (noise * 4.0 / 3.0 / part for part in (count, left))
    product = after * np.conj(before)
    steps = np.arange(CYCLE // 4) * 4
    turns = np.exp(-2j * np.pi / CYCLE * np.outer(orders, steps))
    likeness = (product @ turns).real
    spread = np.sqrt(np.sum(np.abs(before) ** 2 * more + np.abs(after) ** 2 * less, axis=1))
    gain = (likeness - likeness[:, :1]) / (np.sqrt(2.0) * spread[:, None])
    cut, step = np.unravel_index(int(np.argmax(gain)), gain.shape)
    if gain[cut, step] < STEP_DEVIATIONS:
        return None
    # One line alone may be another signal.
    clear = (np.abs(before[cut]) ** 2 > CLEAR**2 * less[cut]) & (
        np.abs(after[cut]) ** 2 > CLEAR**2 * more[cut]
    )
    agrees = np.abs(np.angle(product[cut] * turns[:, step])) < AGREES
    if np.sum(clear) < MIN_LINES or np.mean(agrees[clear]) < MIN_AGREEMENT:
        return None
    return int(cut), int(steps[step])
