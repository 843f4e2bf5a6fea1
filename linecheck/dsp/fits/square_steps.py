"""A stretch lost of the jitter test signal, by the phase of its square wave.

A stretch of a multiple of four frames leaves the tone at a quarter of the rate as it was: it shows only in the square
wave of the lowest bit, of 192 frames, which is then earlier by so much from there on. A multiple of 192 frames leaves
no trace at all.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from linecheck.dsp.arrays import ComplexArray, FloatArray, IntArray
from linecheck.dsp.jitter_sequence import CARRIER_ORDER, CYCLE, SquareLines
from linecheck.dsp.spectra.demodulate import Baseband

__all__ = ["SquareStep", "square_step"]

#: The record is cut into so many pieces, which overlap by half.
PIECES = 32
#: Harmonics up to this one of the square wave count: nearly all of its power, clear of the tone.
HIGHEST_ORDER = 39
#: A line counts for no more than so many times what it should be: another signal may lie there.
MAX_OF_A_LINE = 1.5
#: A step is there from so many standard deviations on, where …
MIN_DEVIATIONS = 8.0
#: … of at least so many lines, each so many times the noise, that share agrees with it, within so much (rad).
MIN_LINES, CLEAR, MIN_AGREEMENT, AGREES = 5, 4.0, 0.8, 0.6


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
    if gain[cut, step] < MIN_DEVIATIONS:
        return None
    # One line alone may be another signal.
    clear = (np.abs(before[cut]) ** 2 > CLEAR**2 * less[cut]) & (
        np.abs(after[cut]) ** 2 > CLEAR**2 * more[cut]
    )
    agrees = np.abs(np.angle(product[cut] * turns[:, step])) < AGREES
    if np.sum(clear) < MIN_LINES or np.mean(agrees[clear]) < MIN_AGREEMENT:
        return None
    return int(cut), int(steps[step])
