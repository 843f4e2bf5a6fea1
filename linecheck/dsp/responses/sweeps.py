"""Exponential sweeps, and a response from one: the capture's spectrum over the stretched reference's.

============================ ============================================================================
:func:`exponential_sweep`    one sine that takes the same time for every octave
:func:`spectrum_at`          the Fourier sum of a sequence at evenly spaced frequencies of any spacing
:func:`transfer`             the complex response around some frequencies, with its standard uncertainty
:func:`phaseless_dip`        whether it is a filter's, or a level that was changed while the sweep passed
============================ ============================================================================
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from linecheck.dsp.arrays import ComplexArray, FloatArray, IntArray
from linecheck.dsp.responses.responses import running_mean

#: Noise is averaged over so many points to either side.
NOISE_POINTS = 4
#: A dip or a peak stands out from what is usual within an octave on either side, by so much of it (0.26 dB).
MIN_DIP = 0.03
#: So many standard deviations of noise are no dip.
DEVIATIONS = 8.0
#: A filter has all of the phase that its level asks for, a fade none; in between lies what is neither.
MIN_SHARE = 0.4


def exponential_sweep(frames: int, low: float, high: float, fade: int) -> FloatArray:
    """Return ``sin(2π f1 L (exp(n/L) - 1))`` with L = frames / ln(f2/f1), faded at both ends (Farina 2000).

    Parameters
    ----------
    frames : int
    low, high : float
        Frequencies at the beginning and the end, cycles per frame.
    fade : int
        Frames of the raised cosine at either end.
    """
    length = frames / np.log(high / low)
    cycles = low * length * np.expm1(np.arange(frames) / length)
    values = np.sin(2.0 * np.pi * (cycles - np.rint(cycles)))
    edge = 0.5 - 0.5 * np.cos(np.pi * (np.arange(fade) + 0.5) / max(fade, 1))
    values[:fade] *= edge
    values[frames - fade :] *= edge[::-1]
    return np.asarray(values)


def spectrum_at(values: FloatArray, step: float, count: int) -> ComplexArray:
    """Return ``sum(values[n] · exp(-2πi k step n))`` for k = 0 … count - 1.

    The chirp transform (Bluestein 1970, from memory): nk = (n² + k² - (k - n)²) / 2 makes a convolution of it, so that
    a reference is transformed at a stretched set of frequencies without being resampled.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    step : float
        Cycles per frame.
    count : int
    """
    from scipy.fft import fft, ifft, next_fast_len

    frames = len(values)
    length = next_fast_len(frames + count - 1)
    order = np.arange(max(frames, count), dtype=np.float64)
    chirp = np.exp(-2j * np.pi * np.mod(0.5 * step * order**2, 1.0))
    kernel = np.zeros(length, dtype=np.complex128)
    kernel[:count] = np.conj(chirp[:count])
    kernel[length - frames + 1 :] = np.conj(chirp[1:frames][::-1])
    product = fft(values * chirp[:frames], length) * fft(kernel)
    return np.asarray(ifft(product)[:count] * chirp[:count])


class Transfer(NamedTuple):
    """A response around some frequencies: complex gains, and the mean square modulus of what the noise adds to each."""

    gains: ComplexArray
    noise: FloatArray


def transfer(captured: ComplexArray, reference: ComplexArray, centre: IntArray, reach: IntArray) -> Transfer:
    """Fit a gain that changes with frequency as a parabola around each of some bins; return its middle.

    Parameters
    ----------
    captured, reference : complex128 arrays, shape (bins,)
        Spectra at the same frequencies, both with about the same delay.
    centre, reach : int64 arrays, shape (points,)
        The bins from ``centre - reach`` to ``centre + reach`` are used; all lie inside the spectra, at least five to a
        point.
    """
    offset = np.arange(-int(np.max(reach)), int(np.max(reach)) + 1)
    used = np.abs(offset) <= reach[:, None]
    bins = np.where(used, centre[:, None] + offset, centre[:, None])
    there = np.where(used, reference[bins], 0.0)
    came = np.where(used, captured[bins], 0.0)
    place = offset / reach[:, None]
    powers = np.stack((np.ones_like(place), place, place**2), axis=2)
    columns = powers * there[:, :, None]
    # As products of stacked matrices: many small ones at once.
    turned = np.conj(columns).transpose(0, 2, 1)
    inverse = np.linalg.inv((turned @ columns).real)
    fitted = inverse @ (turned @ came[:, :, None])
    rest = np.sum(np.abs(came - (columns @ fitted)[:, :, 0]) ** 2, axis=1)
    # What few bins say of the noise is little; it does not change much from one point to the next.
    density = running_mean(rest, NOISE_POINTS) / running_mean(np.asarray(2.0 * reach - 2.0), NOISE_POINTS)
    return Transfer(np.asarray(fitted[:, 0, 0]), np.asarray(density * inverse[:, 0, 0]))


def phaseless_dip(found: Transfer, frequencies_hz: FloatArray, edge_hz: float) -> int | None:
    """Return the index of a dip or peak in a response that lacks the phase of one; None where there is none.

    What a filter takes from or adds to a narrow band it turns in phase too: of a causal filter that is no slower than
    its level asks for, the slope of the level tells the phase (Bode 1945, from memory). A level that is faded down and
    up again while a sweep passes draws the same dip without it. Linear-phase filters at the band's end lack it as well,
    but their level only falls there.

    Parameters
    ----------
    found : Transfer
        The response, the unit's delay taken off.
    frequencies_hz : float64 array, shape (points,)
        Evenly spaced in their logarithm, about.
    edge_hz : float
        Dips are looked for from an octave above the lowest frequency up to here.
    """
    from scipy.ndimage import median_filter

    octaves = float(np.log2(frequencies_hz[-1] / frequencies_hz[0]))
    gains = found.gains
    octave = round((len(gains) - 1) / octaves)
    level = np.log(np.maximum(np.abs(gains), 1e-12))
    asked = _phase_of_level(level, np.log(2.0) / octave)
    # A level that only falls, or only rises, is its own median.
    relative, asked, phase = (
        part - median_filter(part, 2 * octave + 1, mode="nearest")
        for part in (level, asked, np.unwrap(np.angle(gains)))
    )
    size = np.abs(np.expm1(relative))
    size[(frequencies_hz < 2.0 * frequencies_hz[0]) | (frequencies_hz > edge_hz)] = 0.0
    size[size < DEVIATIONS * np.sqrt(0.5 * found.noise) / np.maximum(np.abs(gains), 1e-12)] = 0.0
    deepest = int(np.argmax(size))
    if size[deepest] < MIN_DIP:
        return None
    near = slice(max(0, deepest - octave), deepest + octave + 1)
    weight = np.exp(2.0 * np.minimum(relative[near], 0.0))
    there, needed = weight * np.sin(phase[near]) * asked[near], weight * asked[near] ** 2
    return deepest if np.sum(there) < MIN_SHARE * np.sum(needed) else None


def _phase_of_level(level: FloatArray, step: float) -> FloatArray:
    """Return the phase of the minimum-phase filter with a level (neper), evenly spaced by ``step`` of ln f.

    phi(u0) = 1/pi * integral of dA/du * ln coth(abs(u - u0) / 2) du (Bode 1945, from memory).
    """
    reach = min(len(level) - 1, round(2.0 * np.log(2.0) / step))
    apart = np.abs(np.arange(-reach, reach + 1)) * step
    kernel = np.empty(len(apart))
    kernel[apart > 0.0] = -np.log(np.tanh(0.5 * apart[apart > 0.0]))
    # Its mean over the step around the pole.
    kernel[reach] = 1.0 - np.log(0.25 * step)
    slope = np.pad(np.gradient(level), reach, mode="edge")
    phase: FloatArray = np.convolve(slope, kernel, mode="valid") / np.pi
    return phase
