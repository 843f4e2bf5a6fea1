"""A carrier brought to zero frequency, and the densities of what stands on either side of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from linecheck.dsp.arrays import ComplexArray, FloatArray
from linecheck.dsp.fits.tones import fit_scaled_tones
from linecheck.dsp.spectra.spectra import TAPERS, Density, usable_frames

#: Where the complementary error function has fallen to 1e-9.
REACH = 4.32
#: The new rate over the greatest offset that is kept.
RATE_OVER_OFFSET = 2.2


@dataclass(frozen=True)
class Baseband:
    """A carrier's complex envelope.

    Attributes
    ----------
    values : complex128 array, shape (samples,)
        Over the carrier as fitted, so about 1: its modulus is the amplitude modulation, its angle the phase modulation,
        both exact. What stands beside the carrier at an offset turns at that offset's frequency.
    rate_hz : float
    carrier_hz : float
        As fitted.
    amplitude : float
        Of the carrier, peak.
    """

    values: ComplexArray
    rate_hz: float
    carrier_hz: float
    amplitude: float

    @property
    def seconds(self) -> float:
        """Length."""
        return len(self.values) / self.rate_hz


def demodulate(
    values: FloatArray, rate_hz: float, carrier_hz: float, low_hz: float, high_hz: float, slope_hz: float
) -> Baseband:
    """Bring a carrier to zero frequency, with what lies in a band around it.

    The carrier is fitted and taken out first, so that no window is needed: what is left is small, and so is what its
    sharp ends leave. Of its transform the positive frequencies of the band are kept (the analytic signal), at the rate
    that they need.

    Parameters
    ----------
    values : float64 array, shape (frames,)
    rate_hz : float
    carrier_hz : float
        To about a third of a cycle over the record.
    low_hz, high_hz : float
        The band; it fades out over ``slope_hz`` beyond its upper edge and, as far as there is room, its lower.
    slope_hz : float
    """
    from scipy.fft import ifft, next_fast_len, rfft
    from scipy.special import erfc

    frames = _fast_length(len(values))
    record = values[len(values) - frames :]
    fit, rest = fit_scaled_tones(record, np.array([carrier_hz / rate_hz]), iterations=3)
    frequency = float(fit.frequencies[0])
    spectrum = rfft(rest)
    spacing = rate_hz / frames
    top = min(high_hz + slope_hz, 0.5 * rate_hz)
    kept = min(len(spectrum), int(top / spacing) + 1)
    middle = round(frequency * frames)
    length = next_fast_len(int(RATE_OVER_OFFSET * max(middle, kept - middle)))
    places = np.arange(kept) * spacing
    fall = min(slope_hz, low_hz)
    weights = 0.25 * erfc(REACH * (2.0 * (places - high_hz) / max(top - high_hz, spacing) - 1.0))
    weights *= erfc(REACH * (2.0 * (low_hz - places) / fall - 1.0))
    shifted = np.zeros(length, dtype=np.complex128)
    shifted[(np.arange(kept) - middle) % length] = spectrum[:kept] * weights
    # 2 for the analytic signal; the transform back divides by the new length, the transform there by nothing.
    beside = ifft(shifted) * (2.0 * length / frames)
    cycles = np.arange(length) * ((middle - frequency * frames) / length) + 0.5 * (frames - 1) * frequency
    carrier = complex(fit.amplitudes[0])
    envelope = 1.0 + beside * np.exp(2j * np.pi * (cycles - np.rint(cycles))) / carrier
    return Baseband(envelope, rate_hz * length / frames, frequency * rate_hz, abs(carrier))


def _fast_length(frames: int) -> int:
    """Return the greatest length up to ``frames``, within a few percent, that transforms fast."""
    from scipy.fft import prev_fast_len

    fast = prev_fast_len(frames, real=True)
    return fast if fast > int(0.97 * frames) else frames


@dataclass(frozen=True)
class SideDensities:
    """Power densities of a complex signal: at positive and at negative frequencies, of its real and imaginary part.

    In ``upper`` and ``lower`` a line of complex amplitude P stands for a power of abs(P)**2; ``real`` and ``imaginary``
    are one-sided densities of real signals, where a line of peak amplitude a stands for a**2 / 2.
    """

    upper: Density
    lower: Density
    real: Density
    imaginary: Density


def side_densities(values: ComplexArray, rate_hz: float) -> SideDensities:
    """Estimate the densities of a complex signal with sine tapers, all from one transform.

    As :func:`linecheck.dsp.spectra.spectra.density` does for a real one.
    """
    from scipy.fft import fft

    count = usable_frames(len(values))
    length = 2 * (count + 1)
    transform = fft(values[:count], length)
    around = np.concatenate((transform[-TAPERS:], transform, transform[:TAPERS]))
    half = count // 2 + 1
    upper, lower, cross = np.zeros((3, half))
    for taper in range(1, TAPERS + 1):
        turn = np.exp(2j * np.pi * taper / length)
        later = around[TAPERS - taper : TAPERS - taper + length : 2]
        earlier = around[TAPERS + taper : TAPERS + taper + length : 2]
        part = later * turn - earlier * np.conj(turn)
        above, below = part[:half], np.concatenate((part[:1], part[:-half:-1]))
        upper += above.real**2 + above.imag**2
        lower += below.real**2 + below.imag**2
        # The taper's 1/i turns the sign in what is conjugated.
        cross -= above.real * below.real - above.imag * below.imag
    both = 0.5 * (upper + lower)
    totals = np.array((upper, lower, both + cross, both - cross))
    totals *= 0.5 / (TAPERS * (count + 1) * rate_hz)
    spacing, seconds = rate_hz / (count + 1), count / rate_hz
    return SideDensities(*(Density(total, spacing, seconds, TAPERS) for total in totals))
