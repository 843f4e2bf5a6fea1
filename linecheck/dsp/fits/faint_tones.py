"""Reading faint tones of known frequency beside strong ones, such as one channel's signal in another channel.

The strong tones are fitted with their common drift, other lines that stand out are found and taken out, then strong and
faint tones are fitted together: what a strong tone or line a few cycles off would leak is gone, and the faint ones are
read with the whole record's resolution. Where a signal is so distorted that lines abound, far more than are taken out,
a window that shuts out everything four cycles off tells more, though it takes in twice the noise: each tone is read by
that of the two which is surer. Frequencies are in cycles per frame, powers mean squares re full scale 1.0.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from linecheck.dsp.arrays import ComplexArray, FloatArray
from linecheck.dsp.fits.dissect import Power, line_power
from linecheck.dsp.fits.tone_residue import take_out, without_trend
from linecheck.dsp.fits.tones import fit_known_tones, fit_lines, project, synthesise
from linecheck.dsp.spectra.spectra import density, density_near, find_lines
from linecheck.dsp.spectra.windows import blackman_harris

#: A line within so many cycles over the record of a tone cannot be told from it.
APART_CYCLES = 2.0
#: What moves more slowly than this share of the lowest tone's frequency is a trend.
BELOW_TONES = 0.6
#: At most so many other lines are taken out.
MAX_LINES = 40
#: The noise around a tone is that of so many bins on either side.
NOISE_BINS = 44
#: What rounding leaves of a record, as a share of its standard deviation.
ROUNDING = 1e-11
#: A value competes for the lowest by how far it lies above it: half as much at 1.7 times this many standard
#: uncertainties of the difference.
_WIDTH: Final = 2.5


@dataclass(frozen=True)
class TonePowers:
    """Powers of strong and of faint tones, the noise's share taken off, in the order in which they were asked for."""

    strong: tuple[Power, ...]
    faint: tuple[Power, ...]


def tone_powers(record: FloatArray, strong: FloatArray, faint: FloatArray) -> TonePowers:
    """Return the powers of tones of known frequencies.

    Parameters
    ----------
    record : float64 array, shape (frames,)
    strong : float64 array, shape (strong tones,)
        To about a third of a cycle over the record; what they are off by, they share. May be empty.
    faint : float64 array, shape (faint tones,)
        At least 2 cycles over the record from each other and from the strong ones; moved as the strong ones are.
    """
    lowest = float(min(np.min(strong, initial=0.5), np.min(faint, initial=0.5)))
    # Strong in one channel may be strong in the other too: no trend may be taken for a tone that is still there.
    tones = np.concatenate((strong, faint))
    _, rest = fit_known_tones(record, tones)
    taken = take_out(without_trend(record, rest, tones, BELOW_TONES * lowest), strong)
    known = tones * taken.tones.scale
    steady = taken.steady
    others = _other_lines(record, taken.rest, known)
    if len(others):
        fit, _ = fit_lines(taken.rest, others, iterations=2)
        steady = steady - synthesise(len(record), fit.frequencies, fit.amplitudes)
    fit, rest = fit_known_tones(steady, known)
    noise = density(rest, 1.0)
    powers = [
        line_power(complex(amplitude), density_near(noise, float(frequency)) / len(record))
        for frequency, amplitude in zip(known, fit.amplitudes, strict=True)
    ]
    count = len(strong)
    windowed = _windowed(rest, known[count:], fit.amplitudes[count:])
    surer = [
        min(pair, key=lambda power: power.uncertainty) for pair in zip(powers[count:], windowed, strict=True)
    ]
    return TonePowers(tuple(powers[:count]), tuple(surer))


def _windowed(rest: FloatArray, frequencies: FloatArray, amplitudes: ComplexArray) -> list[Power]:
    """Return the powers of tones by a four-term Blackman–Harris window: a rest, and what was fitted of them in it.

    The noise's share is the median of the bins around each, so that lines among them do not count.
    """
    from scipy.fft import rfft

    frames = len(rest)
    window = blackman_harris(frames)
    scale = 2.0 / float(np.sum(window))
    whole = amplitudes + scale * project(rest * window, frequencies)
    bins = 0.5 * np.abs(scale * rfft(rest * window)) ** 2
    powers = []
    for frequency, amplitude in zip(frequencies, whole, strict=True):
        centre = round(float(frequency) * frames)
        around = np.concatenate(
            (
                bins[max(2, centre - NOISE_BINS) : max(2, centre - 4)],
                bins[centre + 5 : centre + NOISE_BINS + 1],
            )
        )
        powers.append(line_power(complex(amplitude), float(np.median(around)) / float(np.log(2.0))))
    return powers


def _other_lines(record: FloatArray, rest: FloatArray, known: FloatArray) -> FloatArray:
    """Return lines that stand out of a rest and are none of the known tones."""
    frames = len(rest)
    if float(np.std(rest)) <= ROUNDING * float(np.std(record)):
        return np.zeros(0)
    lines = find_lines(rest, 1.0, 3.0 / frames, 0.4999, most=MAX_LINES)
    apart = np.min(np.abs(np.subtract.outer(lines, known)), axis=1, initial=1.0) * frames >= APART_CYCLES
    chosen: FloatArray = lines[apart]
    return chosen


def lowest_of(values: FloatArray, uncertainties: FloatArray) -> tuple[float, float]:
    """Return the lowest of the true values behind some that are known with noise, and its standard uncertainty.

    Of n equal values in noise the lowest reads too low by the mean of the lowest of n normal deviates (G. Blom,
    Statistical Estimates and Transformed Beta-Variables, 1958: the quantile at (n - 3/8)/(n + 1/4)); one that stands
    alone is not off at all. Which of both it is cannot be told from values that lie within their uncertainties, so that
    half of it is taken off and as much is left uncertain: a true worst is so read 0.5 of its uncertainty too good at
    most, and a flat row of values as much too bad.

    Parameters
    ----------
    values, uncertainties : float64 arrays, shape (values,)
        The noise of each is its own.
    """
    from scipy.special import ndtri

    least = int(np.argmin(values))
    spread = float(uncertainties[least])
    beside = (values - values[least]) / np.maximum(np.hypot(uncertainties, spread), 1e-300)
    rivals = float(np.sum(np.exp(-0.5 * (beside / _WIDTH) ** 2)))
    off = spread * float(ndtri((rivals - 0.375) / (rivals + 0.25)))
    # The lowest of many scatters less than one of them.
    own = spread / np.sqrt(1.0 + 0.25 * np.log(rivals))
    return float(values[least]) + 0.5 * off, float(np.hypot(own, 0.375 * off))
