"""Frequency weightings: A and C (IEC 61672-1) and the noise weighting of ITU-R BS.468-4.

Every function takes frequencies in hertz, any shape, and returns an array of that shape: ``_power``
functions the power gain (what a power spectral density is multiplied by), ``_db`` functions the same in
decibels. At 0 Hz the gain is 0, or minus infinity in dB. The responses are even, so a negative frequency
reads as its absolute value.

==============================  ================================================================
:func:`a_weighting_power`       A, :func:`a_weighting_db`
:func:`c_weighting_power`       C, :func:`c_weighting_db`
:func:`weighting_468_power`     BS.468-4, :func:`weighting_468_db`; 0 dB at 1 kHz or at 2 kHz
==============================  ================================================================
"""

from __future__ import annotations

from math import sqrt
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from linecheck.dsp.arrays import FloatArray


def _iec_61672_poles() -> tuple[float, float, float, float]:
    """Return the pole frequencies f1 … f4 in Hz, unrounded.

    IEC 61672-1:2013, Annex E: the C-weighting is 3 dB down (exactly half the power) at 10**1.5 and 10**3.9
    Hz and has its unity at 1 kHz, which gives f1 and f4; the A-weighting's added high-pass has its corner
    at 10**2.45 Hz, which gives f2 and f3. (These defining frequencies are from memory; they reproduce every
    row of Table 3.) The standard's rounded values are 20.60, 107.7, 737.9 and 12194 Hz.
    """
    reference, low, high, high_pass = 1e3, 10.0**1.5, 10.0**3.9, 10.0**2.45
    half = sqrt(0.5)
    b = (reference**2 + (low * high / reference) ** 2 - half * (low**2 + high**2)) / (1.0 - half)
    c = (low * high) ** 2
    root = sqrt(b * b - 4.0 * c)
    f4_squared = 0.5 * (-b + root)
    # The smaller root as a quotient: as a difference it would lose seven digits.
    f1_squared = c / f4_squared
    root_five = sqrt(5.0)
    return (
        sqrt(f1_squared),
        0.5 * (3.0 - root_five) * high_pass,
        0.5 * (3.0 + root_five) * high_pass,
        sqrt(f4_squared),
    )


_F1, _F2, _F3, _F4 = _iec_61672_poles()


def _high_pass(squared: FloatArray, corner: float) -> FloatArray:
    """Return f²/(f² + corner²): one zero at 0, one pole; between 0 and 1 at any frequency."""
    return squared / (squared + corner**2)


def _low_pass(squared: FloatArray, corner: float) -> FloatArray:
    """Return corner²/(f² + corner²)."""
    return corner**2 / (squared + corner**2)


def _squares(frequencies_hz: ArrayLike) -> FloatArray:
    return np.square(np.asarray(frequencies_hz, dtype=np.float64))


def _c_power(squared: FloatArray) -> FloatArray:
    return _high_pass(squared, _F1) ** 2 * _low_pass(squared, _F4) ** 2


def _a_power(squared: FloatArray) -> FloatArray:
    return _c_power(squared) * _high_pass(squared, _F2) * _high_pass(squared, _F3)


_KILOHERTZ = np.array(1e6)
_A_AT_1_KHZ = float(_a_power(_KILOHERTZ))
_C_AT_1_KHZ = float(_c_power(_KILOHERTZ))


def _decibels(power: FloatArray) -> FloatArray:
    """Return 10 lg of a power gain, minus infinity where it is zero."""
    silent = power == 0.0
    return np.where(silent, -np.inf, 10.0 * np.log10(np.where(silent, 1.0, power)))


def a_weighting_power(frequencies_hz: ArrayLike) -> FloatArray:
    """Return the power gain of the A-weighting, 1 at 1 kHz.

    IEC 61672-1:2013, Annex E: f4⁴ f⁸ / ((f² + f1²)² (f² + f2²) (f² + f3²) (f² + f4²)²), normalised, with
    unrounded poles. Written as a product of factors between 0 and 1, so nothing overflows or cancels.

    Parameters
    ----------
    frequencies_hz : float array, any shape

    Returns
    -------
    float64 array, same shape
        For example 0.012182 at 100 Hz (-19.143 dB) and 1.3183 at 1995.26 Hz (+1.200 dB).
    """
    return _a_power(_squares(frequencies_hz)) / _A_AT_1_KHZ


def a_weighting_db(frequencies_hz: ArrayLike) -> FloatArray:
    """Return the A-weighting in dB: -19.1428 at 100 Hz, -9.3469 at 20 kHz (:func:`a_weighting_power`)."""
    return _decibels(a_weighting_power(frequencies_hz))


def c_weighting_power(frequencies_hz: ArrayLike) -> FloatArray:
    """Return the power gain of the C-weighting, 1 at 1 kHz.

    IEC 61672-1:2013, Annex E: f4⁴ f⁴ / ((f² + f1²)² (f² + f4²)²), normalised, with unrounded poles.

    Parameters
    ----------
    frequencies_hz : float array, any shape

    Returns
    -------
    float64 array, same shape
        For example 0.5 at 10**1.5 = 31.623 Hz and at 10**3.9 = 7943.3 Hz (-3.0103 dB).
    """
    return _c_power(_squares(frequencies_hz)) / _C_AT_1_KHZ


def c_weighting_db(frequencies_hz: ArrayLike) -> FloatArray:
    """Return the C-weighting in dB: -3.0103 at 31.623 Hz, -4.4055 at 10 kHz (:func:`c_weighting_power`)."""
    return _decibels(c_weighting_power(frequencies_hz))


def _bs468_power(squared: FloatArray) -> FloatArray:
    """Return the network's power gain in units of its own, f²/(h1² + h2²); coefficients as published."""
    real = (
        (-4.7373389813783836e-24 * squared + 2.0438283336061252e-15) * squared - 1.363894795463638e-7
    ) * squared
    real += 1.0
    # h2 is odd; its factor f is taken outside the square.
    imaginary = (1.3066122574128241e-19 * squared - 2.1181508875186556e-11) * squared + 5.559488023498643e-4
    return squared / (real**2 + squared * imaginary**2)


_BS468_AT = {reference: float(_bs468_power(np.array(float(reference) ** 2))) for reference in (1000, 2000)}


def weighting_468_power(frequencies_hz: ArrayLike, *, reference_hz: Literal[1000, 2000] = 1000) -> FloatArray:
    """Return the power gain of the noise weighting of ITU-R BS.468-4.

    The Recommendation gives a network and its response (Table 1), no formula; this is the rational function
    of that network's six poles and one zero in common use, whose worst difference from Table 1 is 0.0502 dB
    (at 100 Hz). The poles, in Hz: 4122.702 and 9975.063, and pairs at 6902.980 (Q 0.91831) and 10378.805 (Q
    1.73957).

    This is the filter alone. BS.468-4 reads it with a quasi-peak meter; AES17 takes the rms value behind it
    with unity at 2 kHz (-5.63 dB at 1 kHz), which is what ``reference_hz=2000`` is for.

    Parameters
    ----------
    frequencies_hz : float array, any shape
    reference_hz : 1000 or 2000
        Where the gain is 1: 1 kHz as in BS.468-4, or 2 kHz as in AES17.

    Returns
    -------
    float64 array, same shape
        For example 16.660 at 6300 Hz (+12.217 dB) re 1 kHz; at 1 kHz 0.27356 (-5.629 dB) re 2 kHz.
    """
    return _bs468_power(_squares(frequencies_hz)) / _BS468_AT[reference_hz]


def weighting_468_db(frequencies_hz: ArrayLike, *, reference_hz: Literal[1000, 2000] = 1000) -> FloatArray:
    """Return the BS.468-4 weighting in dB: +12.2167 at 6300 Hz re 1 kHz. See :func:`weighting_468_power`."""
    return _decibels(weighting_468_power(frequencies_hz, reference_hz=reference_hz))
