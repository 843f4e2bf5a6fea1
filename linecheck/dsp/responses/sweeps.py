"""Exponential sweeps, and a response from one: the capture's spectrum over the stretched reference's.

============================ ============================================================================
:func:`exponential_sweep`    one sine that takes the same time for every octave
:func:`spectrum_at`          the Fourier sum of a sequence at evenly spaced frequencies of any spacing
:func:`transfer`             the complex response around some frequencies, with its standard uncertainty
============================ ============================================================================
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from linecheck.dsp.arrays import ComplexArray, FloatArray, IntArray
from linecheck.dsp.responses.responses import running_mean

__all__ = ["Transfer", "exponential_sweep", "spectrum_at", "transfer"]

#: Noise is averaged over so many points to either side.
NOISE_POINTS = 4


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
