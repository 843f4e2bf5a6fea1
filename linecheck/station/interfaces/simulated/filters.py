"""The filters of the simulated converter and the anti-alias filter of what captures it.

================================  ============================================================================
:func:`reconstruction_taps`       impulse response of a reconstruction filter, sampled above the unit's rate
:func:`reconstruction_response`   its response over frequency; that of a converter without a filter too
:class:`OutputFilter`             what analogue parts at the output do to the treble
:func:`anti_alias_gain`           gain of the capture converter's anti-alias filter
================================  ============================================================================

A reconstruction filter scales with the unit's rate. At 44.1 kHz:

================  =================  ==================================================================
``sharp``         linear phase       0.000 dB to 20 kHz, −6.02 dB at 22.05 kHz, under −117 dB from 24.1 kHz
``slow``          linear phase       −0.19 dB at 10 kHz, −2.64 dB at 18 kHz, −4.07 dB at 20 kHz, −8.5 dB at
                                     24.1 kHz, so that high tones have images; under −73 dB from 40 kHz
``minimum_phase`` minimum phase      the magnitude of ``sharp``, no ringing ahead of an impulse
``none``          linear phase       the converter's hold alone (zero-order hold): sin(x)/x with x = πf/rate;
                                     −3.17 dB at 20 kHz, −3.92 dB at 22.05 kHz, images of everything
================  =================  ==================================================================
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from linecheck.dsp.arrays import ComplexArray, FloatArray
from linecheck.station.interfaces.simulated.unit import FilterName

#: No filter's response is longer than this, in samples of the unit's rate, either way.
FILTER_REACH = 96


class _Shape(NamedTuple):
    """A Kaiser-windowed sinc, −6 dB at half the rate: half its length in samples, the window's β."""

    half_length: float
    beta: float


# By Kaiser's formulas (from memory): β = 0.1102 (A − 8.7), length = (A − 7.95) / (2.285 Δω); A = 120 dB
# over 20 to 24.1 kHz at 44.1 kHz for the sharp filter, A = 80 dB over 0.8 of the rate for the slow one.
_SHAPES: dict[FilterName, _Shape] = {
    "sharp": _Shape(41.93, 12.27),
    "slow": _Shape(3.13, 7.86),
}


@lru_cache(maxsize=32)
def reconstruction_taps(name: FilterName, oversampling: int) -> tuple[FloatArray, int]:
    """Return a reconstruction filter's impulse response and the index of its time zero.

    Parameters
    ----------
    name : str
        Any but ``none``, whose response is not band-limited and has no taps.
    oversampling : int
        How many taps there are to a sample of the unit's rate.

    Returns
    -------
    taps : float64 array, shape (taps,)
        Sum 1. A linear-phase response is centred on time zero, a minimum-phase one begins there.
    zero : int
    """
    if name == "minimum_phase":
        return _minimum_phase(reconstruction_taps("sharp", oversampling)[0]), 0
    shape = _SHAPES[name]
    half = int(shape.half_length * oversampling)
    times = np.arange(-half, half + 1) / oversampling
    window = np.i0(shape.beta * np.sqrt(1.0 - (times / shape.half_length) ** 2))
    taps = np.sinc(times) * window
    taps /= np.sum(taps)
    taps.setflags(write=False)
    return taps, half


def reconstruction_response(name: FilterName, oversampling: int, length: int) -> ComplexArray:
    """Return a reconstruction filter's response.

    Parameters
    ----------
    name : str
    oversampling : int
        The highest frequency over half the unit's rate.
    length : int
        How many samples of the unit's rate the lines divide evenly.

    Returns
    -------
    complex128 array, shape (oversampling * length // 2 + 1,)
        On the frequencies ``k / length`` of the unit's rate; 1 at 0 Hz.
    """
    from scipy.fft import rfft

    dense = oversampling * length
    if name == "none":
        frequency = np.arange(dense // 2 + 1) / length
        # A sample is held from its instant to the next one's: half a period of delay.
        return np.asarray(np.sinc(frequency) * np.exp(-1j * np.pi * frequency))
    taps, zero = reconstruction_taps(name, oversampling)
    wrapped = np.zeros(dense)
    wrapped[: len(taps)] = taps
    return np.asarray(rfft(np.roll(wrapped, -zero)))


@dataclass(frozen=True)
class OutputFilter:
    """What analogue parts at the output do to the treble.

    Attributes
    ----------
    lowpass_hz, lowpass_q : float
        Of a second-order low-pass 1 / (1 + jf/(Q·f0) − (f/f0)²); 0 Hz for none.
    deemphasis : bool
        Whether the 50/15 µs de-emphasis is on: (1 + j2πf·15 µs) / (1 + j2πf·50 µs), as the time constants of
        IEC 60908 (from memory).
    """

    lowpass_hz: float = 0.0
    lowpass_q: float = 0.5
    deemphasis: bool = False

    @property
    def is_flat(self) -> bool:
        """Whether it does nothing at all."""
        return self.lowpass_hz == 0.0 and not self.deemphasis

    def response(self, frequency_hz: FloatArray) -> ComplexArray:
        """Return the complex gain at frequencies in hertz."""
        gain = np.ones(len(frequency_hz), dtype=np.complex128)
        if self.lowpass_hz > 0.0:
            ratio = frequency_hz / self.lowpass_hz
            gain /= 1.0 - ratio**2 + 1j * ratio / self.lowpass_q
        if self.deemphasis:
            turn = 2j * np.pi * frequency_hz
            gain *= (1.0 + turn * 15e-6) / (1.0 + turn * 50e-6)
        return gain


def _minimum_phase(taps: FloatArray) -> FloatArray:
    """Return the minimum-phase response of the same magnitude, by folding its cepstrum to be causal."""
    length = 1 << 17
    magnitude = np.abs(np.fft.rfft(taps, length))
    # The zeros on the unit circle have no logarithm; a floor 40 dB under the stop band changes nothing there.
    cepstrum = np.fft.irfft(np.log(np.maximum(magnitude, 1e-8)), length)
    cepstrum[1 : length // 2] *= 2.0
    cepstrum[length // 2 + 1 :] = 0.0
    response = np.fft.irfft(np.exp(np.fft.rfft(cepstrum)), length)[: len(taps)].copy()
    response /= np.sum(response)
    response.setflags(write=False)
    return response


#: The anti-alias filter: its −6 dB point and the deviation of its Gaussian edge, as parts of the capture's
#: rate.
_EDGE = 0.47675
_EDGE_DEVIATION = 0.0465 / 9.0


def anti_alias_gain(frequency: FloatArray) -> FloatArray:
    """Return the gain of the capture converter's anti-alias filter.

    Flat to 0.4535 of the capture's rate (20 kHz at 44.1 kHz), −6 dB at 0.477, −109 dB and falling at half
    the rate, nothing beyond it.

    Parameters
    ----------
    frequency : float64 array
        As parts of the capture's rate, ascending from 0.
    """
    from scipy.special import erfc

    gain = 0.5 * erfc((frequency - _EDGE) / (np.sqrt(2.0) * _EDGE_DEVIATION))
    return np.where(frequency < 0.5, gain, 0.0)


def anti_alias_reach() -> float:
    """Return how many captured samples away the filter's response is under −200 dB."""
    return 7.0 / (2.0 * np.pi * _EDGE_DEVIATION)
