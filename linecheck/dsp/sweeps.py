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
from numpy.typing import NDArray

__all__ = ["Transfer", "exponential_sweep", "spectrum_at", "transfer"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
ComplexArray = NDArray[np.complex128]


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


def transfer(captured: ComplexArray, reference: ComplexArray, first: IntArray, last: IntArray) -> Transfer:
    """Fit one complex gain between reference and capture over each of some stretches of bins, by least squares.

    Parameters
    ----------
    captured, reference : complex128 arrays, shape (bins,)
        Spectra at the same frequencies, both with the same delay.
    first, last : int64 arrays, shape (points,)
        The stretches: from bin ``first`` to before ``last``.
    """

    def sums(values: NDArray[np.inexact]) -> NDArray[np.inexact]:
        running = np.concatenate(([0.0], np.cumsum(values)))
        return np.asarray(running[last] - running[first])

    energy = np.maximum(sums(np.abs(reference) ** 2), 1e-300)
    common = sums(captured * np.conj(reference))
    gains = common / energy
    rest = np.maximum(sums(np.abs(captured) ** 2).real - np.abs(common) ** 2 / energy, 0.0)
    free = np.maximum(last - first - 1, 1)
    return Transfer(np.asarray(gains), np.asarray(rest / free / energy))
