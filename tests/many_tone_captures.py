"""Captures of the multi-tone and of the crosstalk check's tones, of which every part is known."""

from __future__ import annotations

import math

import numpy as np

from linecheck.dsp.fits.interleaved import OCTAVE_PHASES, OCTAVE_TONES_HZ, PAIR_PHASES, PAIR_TONES_HZ
from linecheck.dsp.fits.multitone import PEAK_OF_UNIT_TONES, TONE_PHASES, TONES_HZ

RAMP_SECONDS, SETTLE_SECONDS = 0.01, 0.1


def unit_times(rate, seconds, *, clock_ppm=0.0, delay=0.1, tail=0.1, turns=1):
    """A capture's instants in the unit's time, 0 where the stimulus begins, and how long one turn of it lasts."""
    clock = 1.0 + 1e-6 * clock_ppm
    length = 2.0 * RAMP_SECONDS + SETTLE_SECONDS + seconds
    frames = int((delay + turns * length / clock + tail) * rate)
    return (np.arange(frames) / rate - delay) * clock, length


def envelope(times, length):
    """Ramps at both ends."""
    edge = np.minimum(times, length - times) / RAMP_SECONDS
    return 0.5 - 0.5 * np.cos(np.pi * np.clip(edge, 0.0, 1.0))


def cosines(times, tones, phases, gains=None):
    """Sum of cosines over evenly spaced times, each with a complex gain.

    A turn at the time of a block, by a turn within one, is a turn at any time: so few are worked out.
    """
    block = 1 + math.isqrt(len(times))
    starts = np.outer(times[::block], tones)
    within = np.outer(tones, (times[-1] - times[0]) / (len(times) - 1) * np.arange(block))
    turns = np.exp(2j * np.pi * (starts - np.rint(starts)) + 1j * np.asarray(phases))
    if gains is not None:
        turns = turns * gains
    return (turns @ np.exp(2j * np.pi * within)).real.ravel()[: len(times)]


def bent(values, a2, a3):
    """Return x + a2 x² + a3 x³."""
    return values + a2 * values**2 + a3 * values**3


def multitone_capture(rate, *, seconds=1.4, peak=0.9, a2=0.0, a3=0.0, clock_ppm=0.0, delay=0.1, tail=0.1):
    """The multi-tone bent by a polynomial, as it arrives in one channel; nothing folds."""
    finer = -(-176_400 // rate) if a2 or a3 else 1
    times, length = unit_times(rate * finer, seconds, clock_ppm=clock_ppm, delay=delay, tail=tail)
    times = times[: len(times) // (2 * finer) * (2 * finer)]
    values = cosines(times, TONES_HZ, TONE_PHASES) * envelope(times, length) * (peak / PEAK_OF_UNIT_TONES)
    values = bent(values, a2, a3)
    if finer > 1:
        spectrum = np.fft.rfft(values)[: len(values) // (2 * finer) + 1]
        spectrum[-1] = 0.0
        values = np.fft.irfft(spectrum, len(values) // finer) / finer
    return values


def product_powers(peak, a2, a3):
    """Mean squares of everything that a polynomial makes of the multi-tone, at 0, 2, 4 … Hz: its period is 0.5 s."""
    times = np.arange(96_000) * (0.5 / 96_000)
    values = bent(cosines(times, TONES_HZ, TONE_PHASES) * (peak / PEAK_OF_UNIT_TONES), a2, a3)
    return 2.0 * np.abs(np.fft.rfft(values) / len(values)) ** 2


def crosstalk_capture(
    rate,
    leak,
    *,
    method="simultaneous",
    seconds=1.4,
    channels=2,
    clock_ppm=0.0,
    delay=0.1,
    tail=0.1,
    bend=0.0,
):
    """The crosstalk check's tones; ``leak(f)`` is the complex gain from each channel into every other."""
    turns = 1 if method == "simultaneous" else channels
    times, length = unit_times(rate, seconds, clock_ppm=clock_ppm, delay=delay, tail=tail, turns=turns)
    values = np.zeros((len(times), channels))
    for source in range(channels):
        tones = PAIR_TONES_HZ[source] if turns == 1 else OCTAVE_TONES_HZ
        phases = PAIR_PHASES[source] if turns == 1 else OCTAVE_PHASES
        own = times if turns == 1 else times - source * length
        shape = 0.1 * envelope(own, length)
        for into in range(channels):
            gains = np.ones(len(tones)) if into == source else leak(tones)
            values[:, into] += shape * cosines(own, tones, phases, gains)
    return bent(values, bend, bend)
