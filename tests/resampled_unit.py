"""A resampler of general purpose as a unit's reconstruction filter: what it does, and captures through it.

The truth is the resampler's own impulse response, looked at by a Fourier transform: nothing of linecheck measures it.
"""

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache

import numpy as np
import soxr

from linecheck.checks.base import Capture
from linecheck.dsp.quantise import quantise

RATE_HZ = 44_100
FULL_SCALE_VOLTS = 8.0
#: Of a full-scale sine at the unit's output.
OUTPUT_VOLTS = 4.0
#: A reconstruction filter's response is looked at up to here by the check, as a part of the capture's rate.
EDGE = 0.4536


def soxr_response(quality, capture_rate_hz=192_000, rate_hz=RATE_HZ, reach=600):
    """Return the impulse response of a conversion between two rates, and its step in seconds.

    An impulse at each place that an input sample can have between output samples gives one part of the response.
    """
    ratio = Fraction(capture_rate_hz, rate_hz)
    up, down = ratio.numerator, ratio.denominator
    length = 2 * reach
    parts = {}
    for place in range(down):
        played = np.zeros(length + down)
        played[reach + place] = 1.0
        # An output sample n lies at n · down, an input sample m at m · up on the fine grid.
        heard = soxr.resample(played, rate_hz, capture_rate_hz, quality=quality)
        at = np.arange(len(heard)) * down - (reach + place) * up
        for where, value in zip(at.tolist(), heard.tolist(), strict=True):
            parts[where] = value
    half = (reach // 2) * up
    dense = np.array([parts[at] for at in range(-half, half + 1)])
    return dense / down, 1.0 / (up * rate_hz)


@dataclass(frozen=True)
class FilterTruth:
    """What a filter does, from its impulse response: levels re 1 kHz."""

    taps: np.ndarray
    step_seconds: float

    def level(self, frequencies_hz):
        """Level in dB re 1 kHz at some frequencies."""
        times = (np.arange(len(self.taps)) - len(self.taps) // 2) * self.step_seconds
        asked = np.atleast_1d(np.asarray(frequencies_hz, dtype=float))
        found = np.concatenate(
            [
                np.abs(np.exp(-2j * np.pi * np.outer(part, times)) @ self.taps)
                for part in np.array_split(np.append(asked, 1000.0), max(1, len(asked) // 64))
            ]
        )
        return 20 * np.log10(found[:-1] / found[-1])

    @property
    def spectrum(self):
        """Frequencies every few hertz, and the levels there."""
        count = 1 << int(np.ceil(np.log2(1.0 / (self.step_seconds * 4.0))))
        levels = 20 * np.log10(np.abs(np.fft.rfft(self.taps, count)) + 1e-300)
        return np.arange(len(levels)) / (count * self.step_seconds), levels - self._reference(levels, count)

    def _reference(self, levels, count):
        return levels[round(1000.0 * count * self.step_seconds)]

    def corner(self, level_db):
        """Lowest frequency above 1 kHz at which it has fallen to a level."""
        frequencies, levels = self.spectrum
        low = int(np.argmax((frequencies > 1000.0) & (levels <= level_db)))
        low_hz, high_hz = frequencies[low - 1], frequencies[low]
        for _ in range(40):
            middle = 0.5 * (low_hz + high_hz)
            low_hz, high_hz = (middle, high_hz) if self.level(middle)[0] > level_db else (low_hz, middle)
        return low_hz

    def stop_band(self, capture_rate_hz):
        """Depth behind the first notch up to the capture's edge, and where it is first reached."""
        frequencies, levels = self.spectrum
        start = int(np.argmax(frequencies > self.corner(-6.0)))
        stop = int(np.searchsorted(frequencies, EDGE * capture_rate_hz))
        rises = levels[start:stop] > np.minimum.accumulate(levels[start:stop]) + 1.0
        notch = start + int(np.argmin(levels[start : start + int(np.argmax(rises)) + 1]))
        highest = float(np.max(levels[notch:stop]))
        first = start + int(np.argmax(levels[start:stop] <= highest))
        return -highest, float(frequencies[first])

    def image_rejection(self, rate_hz=RATE_HZ, low_hz=19_000.0, high_hz=20_000.0):
        """The least ratio of a tone to its image, over lines every 50 Hz."""
        tones = np.arange(low_hz + 25.0, high_hz, 50.0)
        return float(np.min(self.level(tones) - self.level(rate_hz - tones)))

    def impulse(self, edge_hz):
        """Energy before the main lobe in dB re all, and ms from where 1e-8 of it has come to the peak."""
        count = 4 * len(self.taps)
        spectrum = np.fft.rfft(np.append(np.zeros(len(self.taps)), self.taps), count)
        spectrum[np.arange(len(spectrum)) > edge_hz * count * self.step_seconds] = 0.0
        finer = max(1, int(self.step_seconds / 1e-7))
        dense = np.fft.irfft(spectrum, count * finer)
        peak = int(np.argmax(np.abs(dense)))
        lobe = int(np.flatnonzero(dense[:peak] * np.sign(dense[peak]) <= 0.0)[-1])
        energy = np.cumsum(dense**2)
        ahead = 10 * np.log10(energy[lobe] / energy[-1])
        begins = int(np.argmax(energy >= 1e-8 * energy[-1]))
        return float(ahead), float(1e3 * (peak - begins) * self.step_seconds / finer)


@lru_cache
def soxr_truth(quality, capture_rate_hz=192_000, rate_hz=RATE_HZ):
    """Return the truth about a quality of soxr between two rates."""
    return FilterTruth(*soxr_response(quality, capture_rate_hz, rate_hz))


def soxr_capture(
    stimulus,
    quality,
    *,
    capture_rate_hz=192_000,
    ppm=0.0,
    gains_db=(0.0, -0.03),
    noise_dbfs=-115.0,
    delay_seconds=0.1,
    seed=0,
    bits=24,
    shape=None,
):
    """Return what is captured of a stimulus through a resampler, with the noise of a good unit.

    Parameters
    ----------
    ppm : float
        By how much the unit's clock is fast.
    noise_dbfs : float
        White noise in 20 Hz to 20 kHz re a full-scale sine of the unit.
    shape : callable, optional
        What the unit makes of its samples ahead of the filter.
    """
    values = stimulus.samples * 2.0**-31
    values = values if shape is None else shape(values)
    before = np.zeros((round(delay_seconds * stimulus.rate_hz), values.shape[1]))
    after = np.zeros((round(0.15 * stimulus.rate_hz), values.shape[1]))
    played = np.concatenate((before, values, after))
    heard = soxr.resample(played, stimulus.rate_hz * (1.0 + 1e-6 * ppm), capture_rate_hz, quality=quality)
    generator = np.random.default_rng((seed, len(stimulus.samples)))
    deviation = 10 ** (noise_dbfs / 20) * np.sqrt(0.5 * 0.5 * capture_rate_hz / 19_980)
    heard += deviation * generator.standard_normal(heard.shape)
    heard *= 10 ** (np.resize(gains_db, heard.shape[1]) / 20) * (OUTPUT_VOLTS * np.sqrt(2) / FULL_SCALE_VOLTS)
    samples = quantise(heard, bits, seed)
    return Capture(samples, capture_rate_hz, (FULL_SCALE_VOLTS,) * heard.shape[1], bits, mains_hz=50.0)
