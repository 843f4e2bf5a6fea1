"""Interleaved combs of tones: one per channel, told apart by their frequencies.

Each channel has tones of its own, evenly spaced on a logarithmic axis (so that no delay but the true one lines all of
them up) and interleaved with those of the other channels. Known phases give delay and polarity; powers tell which
comb arrived where; all tones share one clock ratio.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linecheck.dsp.arrays import ComplexArray, FloatArray
from linecheck.dsp.fits.tones import synthesise

#: No multiple of a mains frequency.
LOWEST_HZ = 313.0
#: With 40 tones in each of two channels no step of the comb is near 48 / 44.1.
HIGHEST_HZ = 10000.0


def comb_frequencies(channels: int, rate_hz: float) -> FloatArray:
    """Return the combs' frequencies in hertz, shape (channels, tones): up to 10 kHz, or 0.4 of a low rate."""
    tones = 40 if channels <= 4 else max(8, 160 // channels)
    highest = min(HIGHEST_HZ, 0.4 * rate_hz)
    count = channels * tones
    all_tones = LOWEST_HZ * (highest / LOWEST_HZ) ** (np.arange(count) / (count - 1))
    return np.asarray(all_tones.reshape(tones, channels).T)


def comb_phases(tones: int) -> FloatArray:
    """Return phases of low crest factor at the first frame (Schroeder 1970, equal powers): -π k² / N."""
    order = np.arange(tones)
    return np.asarray(-np.pi * order**2 / tones)


@dataclass(frozen=True)
class Arrival:
    """How a comb arrived.

    ``frame`` is where its first frame lies in the record (a fraction), ``polarity`` +1 or -1, ``agreement`` how well
    the tones agree on both, from 0 to 1.
    """

    frame: float
    uncertainty: float
    polarity: int
    agreement: float


def arrival(
    amplitudes: ComplexArray,
    frequencies: FloatArray,
    phases: FloatArray,
    middle: float,
    expected: float,
    reach: float,
    variance: float,
) -> Arrival:
    """Find when a comb's first frame arrived, and with which polarity.

    Parameters
    ----------
    amplitudes : complex128 array, shape (tones,)
        Fitted, phases re the record's middle.
    frequencies : float64 array, shape (tones,)
        Cycles per frame, as captured.
    phases : float64 array, shape (tones,)
        Phases at the comb's first frame, as played.
    middle : float
        Frame of the record's middle.
    expected, reach : float
        The search goes over ``expected ± reach`` frames.
    variance : float
        Variance of a fitted amplitude's real or imaginary part, from the noise.
    """
    turned = amplitudes * np.exp(-1j * phases)
    weight = float(np.sum(np.abs(amplitudes)))
    # Coarsely by the low tones alone, then closely by all of them.
    low = frequencies <= 4.0 * np.min(frequencies)
    step = 0.1 / float(np.max(frequencies[low]))
    frames = expected + np.arange(-reach, reach + step, step)
    sums = _together(turned[low], frequencies[low], middle - frames, step)
    near, fine = float(frames[np.argmax(np.abs(sums))]), 0.1 / float(np.max(frequencies))
    frames = near + np.arange(-12.0 * step, 12.0 * step, fine)
    sums = _together(turned, frequencies, middle - frames, fine)
    best = int(np.argmax(np.abs(sums)))
    polarity = 1 if sums[best] > 0.0 else -1
    frame = float(frames[best])
    power = np.abs(amplitudes) ** 2
    slope = 2.0 * np.pi * frequencies
    for _ in range(5):
        error = np.angle(polarity * turned * np.exp(-1j * slope * (middle - frame)))
        # Each tone weighs by its power: the variance of its phase is inverse to that.
        frame -= float(np.sum(power * slope * error) / np.sum(power * slope**2))
    agreement = abs(float(np.sum((turned * np.exp(-1j * slope * (middle - frame))).real))) / weight
    uncertainty = float(np.sqrt(variance / np.sum(power * slope**2)))
    return Arrival(frame, uncertainty, polarity, agreement)


def _together(turned: ComplexArray, frequencies: FloatArray, delays: FloatArray, step: float) -> FloatArray:
    """Return how far tones agree on each delay: the sum of their real parts once the delay is taken off.

    Delays fall by ``step`` from one to the next. Over them the real part of a tone is a tone itself.
    """
    halfway = 0.5 * (delays[0] + delays[-1])
    return synthesise(len(delays), frequencies * step, turned * np.exp(-2j * np.pi * frequencies * halfway))
